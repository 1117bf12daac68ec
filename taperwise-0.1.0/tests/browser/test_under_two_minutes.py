"""A newcomer's first run: how long hands and eyes need for it, by published models of both.

Hands: the keystroke-level model (Card, Moran & Newell 1980, "The keystroke-level model for user performance time with
interactive systems", Communications of the ACM 23(7), 396-410; its operators from memory): 1.35 s to think before each
field, 1.1 s to point, 0.5 s a key, which is its figure for typing random letters. Eyes: 238 words a minute, silent
reading of non-fiction (Brysbaert 2019, doi:10.1016/j.jml.2019.104047, from memory).
"""

from typing import Any

import pytest

from tests.browser.conftest import Service

_THINK, _POINT, _KEY = 1.35, 1.1, 0.5
_WORDS_A_SECOND = 238.0 / 60.0


class Newcomer:
    """Thumbs on a phone, and the seconds they would have taken."""

    def __init__(self, page: Any) -> None:
        self.page = page
        self.seconds = 0.0
        self._read: set[str] = set()

    def read(self, selector: str) -> None:
        """Every word that is to be seen there, the first time."""
        words = self.page.inner_text(selector)
        if words not in self._read:
            self.seconds += len(words.split()) / _WORDS_A_SECOND
        self._read.add(words)

    def tap(self, selector: str) -> None:
        """Find it and touch it."""
        self.seconds += _THINK + _POINT
        self.page.locator(selector).first.click()

    def next(self) -> None:
        """On to the next screen, where there are several; a long form is read once."""
        if self.page.locator("button.next").is_visible():
            self.tap("button.next")

    def type(self, name: str, text: str) -> None:
        """Touch the field and type."""
        self.tap(f'[name="{name}"]')
        self.seconds += _KEY * len(text)
        self.page.fill(f'[name="{name}"]', text)


@pytest.mark.parametrize("phone", [{}, {"java_script_enabled": False}], indirect=True)
def test_a_first_run_and_the_next_step(service: Service, phone: Any) -> None:
    """Set up already: all that the card, the form and the next step say is read, a run is typed, in under two minutes.

    Air, the rise to peak, the idle and its speed are typed, as common practice (no published source) has them noted.
    """
    phone.goto(f"{service.address}/installations/new")
    phone.fill('[name="needles.0.label"]', "A")
    phone.fill('[name="needles.0.taper_slope.value"]', "30")
    phone.fill('[name="elevation.value"]', "650")
    phone.check("[name='throttle_body.lean_direction'][value='clockwise']")
    phone.click("text=Set up this engine")
    phone.wait_for_selector(".step")
    hands = Newcomer(phone)
    hands.read(".step .do")
    hands.tap("a:has-text('Record the run')")
    phone.wait_for_selector("h1:has-text('Record a run')")
    for fields in (
        (("air_temperature.value", "68"), ("air_pressure.value", "29.98")),
        (("egt_rich.value", "1290"), ("egt_peak.value", "1450")), (), (("idle_rpm.value", "790"),), (),
    ):  # fmt: skip
        hands.read("form")
        for name, text in fields:
            hands.type(name, text)
        if not fields and phone.locator("label:has-text('slightly rich')").first.is_visible():
            hands.tap("label:has-text('slightly rich')")
        hands.next()
    hands.tap("button:has-text('Record the run')")
    phone.wait_for_selector(".step")
    hands.read(".step .do")
    hands.read(".step .warning")
    assert "1 run recorded" in phone.text_content("main")
    print(f"{hands.seconds:.0f} s")
    assert hands.seconds < 120.0
