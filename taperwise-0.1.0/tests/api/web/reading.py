"""How the tests of the pages read a page and send a form."""

import re
from html import unescape
from html.parser import HTMLParser
from typing import Any

FORM = {
    "needles.0.label": "A",
    "needles.0.taper_slope.value": "29.4",
    "needles.0.taper_slope.unit": "mm/m",
    "needles.1.label": "B",
    "needles.1.taper_slope.value": "30",
    "needles.1.taper_slope.unit": "mm/m",
    "fitted_row": "1",
    "elevation.value": "650",
    "elevation.unit": "ft",
    "preset": "fahrenheit",
    "throttle_body.lean_direction": "clockwise",
}
"""A set-up as a browser sends it."""

RUN = {
    "air_temperature.value": "68",
    "air_temperature.unit": "degF",
    "air_pressure.value": "29.98",
    "air_pressure.unit": "inHg",
    "pressure_kind": "altimeter_setting",
    "seen": "peak",
    "peak.value": "160",
    "peak.unit": "delta_degF",
    "rough.value": "",
    "rough.unit": "delta_degF",
    "idle_quality": "slightly_rich",
    "idle_rpm.value": "790",
    "idle_rpm.unit": "rpm",
    "static_rpm.value": "",
    "static_rpm.unit": "rpm",
}
"""A run as a browser sends it."""


class _Fields(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, str] = {}
        self._select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        a: dict[str, Any] = dict(attrs)
        if tag == "select":
            self._select = a.get("name", "")
        elif tag == "option" and ("selected" in a or self._select not in self.found):
            self.found[self._select] = a.get("value", "")
        elif tag == "input" and a.get("name") and (a.get("type") != "radio" or "checked" in a):
            self.found[a["name"]] = a.get("value") or ""


def fields(html: str) -> dict[str, str]:
    """What a browser would send if somebody pressed the button at once."""
    parser = _Fields()
    parser.feed(html)
    return parser.found


def words(html: str) -> str:
    """The words of a page, spaces made one."""
    return re.sub(r"\s+", " ", unescape(re.sub(r"<[^>]+>", " ", html)))
