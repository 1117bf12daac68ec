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

    def read(self, selector: str) -> None:
        """Every word that is to be seen there."""
        self.seconds += len(self.page.inner_text(selector).split()) / _WORDS_A_SECOND

    def tap(self, selector: str) -> None:
        """Find it and touch it."""
        self.seconds += _THINK + _POINT
        self.page.locator(selector).first.click()

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
    phone.click("text=Set it up")
    phone.wait_for_selector(".step")
    hands = Newcomer(phone)
    hands.read(".step .do")
    hands.tap("a:has-text('Record the run')")
    phone.wait_for_selector("h1:has-text('Record a run')")
    hands.read("main")
    for name, text in (("air_temperature.value", "68"), ("air_pressure.value", "29.98"), ("peak.value", "160")):
        hands.type(name, text)
    hands.tap("label:has-text('slightly rich')")
    hands.type("idle_rpm.value", "790")
    hands.tap("button:has-text('Record the run')")
    phone.wait_for_selector(".step")
    hands.read(".step .do")
    hands.read(".step .warning")
    assert phone.locator("text=1 run recorded").count() == 1
    print(f"{hands.seconds:.0f} s")
    assert hands.seconds < 120.0
