"""No violation that axe knows of, on any page, in the light and in the dark."""

import json
from pathlib import Path
from typing import Any
from urllib.request import Request, urlopen
from uuid import uuid4

import pytest

from taperwise.api.explained.documents import CONTENTS, address_of
from taperwise.api.files.installation import fixture
from tests.api.asking import AIR
from tests.browser.conftest import Service
from tests.browser.hands import whole
from tests.sentences import HELP

_PAGES = (
    "", "/before", "/run", "/adjust", "/history", "/pictures", "/whatif?turns=0.125", "/similar", "/sheet",
    "/settings", "/set-up", "/acknowledge", "/run#egt", "/run#idle", "/run#check",
    "/entries/1/correct", "/entries/2/correct", "/sweeps/3",
)  # fmt: skip
_OTHERS = (
    "/installations", "/installations?name=nobody", "/installations/new", "/desk", "/desk?name=1", "/people",
    "/installations/99", "/model/builder", "/model/statistician",
)  # fmt: skip

_HELP_WITH_EVERYTHING = (CONTENTS, "api/docs/tutorial/first_evening.md", "api/docs/reference/settings.md", HELP[-1])


def _post(address: str, body: Any) -> Any:
    headers = {"content-type": "application/json", "idempotency-key": uuid4().hex}
    sent = Request(address, json.dumps(body).encode(), headers)  # noqa: S310 - our own
    with urlopen(sent) as answer:  # noqa: S310 - our own service
        return json.load(answer)


def _filled(service: Service) -> str:
    api = f"{service.address}/api/v1/installations"
    needles = [{"label": f"n{s}", "taper_slope": {"value": s, "unit": "mm/m"}} for s in (29.4, 30, 30.6)]
    number = _post(api, {"needles": needles, "fitted_needle": "n30", "name": "looked at"})["id"]
    rise = {"egt_rise": {"seen": "peak", "rise": {"value": 160, "unit": "delta_degF"}}, "idle_quality": 4}
    _post(f"{api}/{number}/runs", AIR | rise)
    _post(f"{api}/{number}/adjustments", {"kind": "turn_screw", "turns": -0.25})
    _post(f"{api}/{number}/runs", AIR | {"trace": {"csv": fixture("sweep.csv").read_text(encoding="utf-8")}})
    _post(f"{api}/{number}/notes", {"text": "look at the gasket"})
    return f"{service.address}/installations/{number}"


def violations(page: Any) -> list[str]:
    """What axe finds on a page with everything on it unfolded."""
    from axe_playwright_python.sync_playwright import Axe

    for folded in page.query_selector_all("details:not([open])"):
        folded.evaluate("each => { each.open = true; }")
    found = Axe().run(page).response["violations"]
    return [f"{v['id']}: {n['html'][:160]} {n.get('failureSummary', '')[:300]}" for v in found for n in v["nodes"]]


@pytest.mark.slow
@pytest.mark.parametrize("phone", [{"color_scheme": "light"}, {"color_scheme": "dark"}], indirect=True)
def test_no_page_has_a_violation(real_service: Service, phone: Any, tmp_path: Path) -> None:
    """Every page with everything on it unfolded, and the forms as they are when something is wrong."""
    home = _filled(real_service)
    found = {}
    others = [f"{real_service.address}{p}" for p in _OTHERS]
    for address in (*others, *(home + p for p in _PAGES)):
        phone.goto(address)
        phone.wait_for_selector(".waiting", state="detached", timeout=60_000)
        found[address] = violations(phone)
        wide = phone.evaluate("document.documentElement.scrollWidth")
        assert wide <= 360, f"{address} is {wide} wide"
    phone.goto(f"{home}/run")
    whole(phone)
    phone.fill("[name='air_temperature.value']", "warm")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector(".wrong")
    found["a refused run"] = violations(phone)
    assert {address: v for address, v in found.items() if v} == {}


@pytest.mark.parametrize("phone", [{"color_scheme": "light"}, {"color_scheme": "dark"}], indirect=True)
def test_no_help_page_has_a_violation(service: Service, phone: Any) -> None:
    """All fit a phone's width, and axe finds nothing on those that hold what the others hold too."""
    for path in HELP:
        phone.goto(f"{service.address}{address_of(path)}")
        assert phone.evaluate("document.documentElement.scrollWidth") <= 360, path
        if path in _HELP_WITH_EVERYTHING:
            assert violations(phone) == [], path


def test_targets_are_large_enough_for_gloves(service: Service, phone: Any) -> None:
    """What is pressed to record or to go on is at least 48 px high, and as wide as the phone allows."""
    home = _filled(service)
    for address in (home, f"{home}/run", f"{home}/adjust", f"{home}/settings"):
        phone.goto(address)
        phone.wait_for_selector(".waiting", state="detached")
        small = phone.evaluate(
            """() => [...document.querySelectorAll(
                "main button, main [role=button], main input:not([type=hidden], [type=radio], [type=checkbox]), "
                + "main select, main .choice, main summary, main .places a, header a")]
                .filter((each) => each.checkVisibility() && each.getBoundingClientRect().height < 48)
                .map((each) => each.outerHTML.slice(0, 120))"""
        )
        assert small == [], address
