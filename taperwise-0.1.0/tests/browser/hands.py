"""What hands do on a phone: taps and keys, counted; and the long way round the guided form."""

import json
from typing import Any
from urllib.request import Request, urlopen
from uuid import uuid4

from tests.api.asking import AIR
from tests.browser.conftest import Service

RUN = AIR | {"egt_rise": {"seen": "peak", "rise": {"value": 160, "unit": "delta_degF"}}}


def post(service: Service, path: str, body: Any) -> Any:
    """Send a document to the service's API, and take its answer."""
    headers = {"content-type": "application/json", "idempotency-key": uuid4().hex}
    sent = Request(f"{service.address}/api/v1{path}", json.dumps(body).encode(), headers)  # noqa: S310 - our own
    with urlopen(sent) as answer:  # noqa: S310 - our own service
        return json.load(answer)


def whole(page: Any) -> None:
    """Show the form of a run on one page, where it is shown one question a screen."""
    button = page.locator("button.whole")
    if button.is_visible() and "Show all" in button.inner_text():
        button.click()


def type_a_run(page: Any, rise: str) -> None:
    """The air and a rise, on the long form."""
    whole(page)
    page.fill("[name='air_temperature.value']", "68")
    page.fill("[name='air_pressure.value']", "29.98")
    folded = page.locator("details:not([open]) > summary:has-text('Enter the rise itself')")
    if folded.count():
        folded.click()
    page.fill("[name='peak.value']", rise)


def turn_leaner(page: Any) -> None:
    """An eighth leaner, on the form of an adjustment, and recorded."""
    page.check("[name='kind'][value='turn_screw']")
    page.check("[name='turn_screw.way'][value='-']")
    page.check("[name='turn_screw.size'][value='1/8']")
    page.click("button:has-text('Record the adjustment')")


class Thumbs:
    """Thumbs on a phone: every tap and every key is counted, and what they took.

    Seconds are those of the keystroke-level model (Card, Moran & Newell 1980, Communications of the ACM 23(7),
    396-410; its operators from memory): 1.35 s to think before each tap, 1.1 s to point, 0.5 s a key.
    """

    THINK, POINT, KEY = 1.35, 1.1, 0.5

    def __init__(self, page: Any) -> None:
        self.page = page
        self.taps = self.keys = 0
        self.screens: list[str] = []

    @property
    def seconds(self) -> float:
        """What all of it took."""
        return self.taps * (self.THINK + self.POINT) + self.keys * self.KEY

    def tap(self, selector: str) -> None:
        """Touch something, once it takes taps."""
        self.taps += 1
        self.page.locator(f"{selector} >> visible=true").first.click()

    def type(self, name: str, text: str) -> None:
        """Touch a field and type."""
        self.tap(f'[name="{name}"]')
        self.keys += len(text)
        self.page.keyboard.type(text)

    def see(self) -> None:
        """Look at a screen: nothing is beside it."""
        self.screens.append(self.page.inner_text("h1") + " " + self.page.evaluate("location.hash"))
        wide = self.page.evaluate("document.documentElement.scrollWidth")
        assert wide <= self.page.viewport_size["width"], f"{self.screens[-1]} is {wide} wide"


def set_up_one(phone: Any) -> None:
    """Fill in what a new engine cannot do without, on the page for it, and send it."""
    phone.fill("[name='needles.0.taper_slope.value']", "30")
    phone.fill("[name='elevation.value']", "650")
    phone.check("[name='throttle_body.lean_direction'][value='clockwise']")
    phone.click("button:has-text('Set up this engine')")
