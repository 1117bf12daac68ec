"""A whole tuning, from the set-up to the sheet, on a phone in the dark, with a keyboard alone and the real model."""

import json
import os
import time
from pathlib import Path
from typing import Any
from urllib.request import urlopen

import pytest
from pydantic import TypeAdapter

from taperwise.api.files.day import run_body
from taperwise.api.files.installation import installation_from
from taperwise.api.schemas.adjustments import AdjustmentIn, AdjustmentKinds
from taperwise.api.schemas.run import FellAtOnce, PeakSeen, RoughBeforePeak, RunIn
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.runs import Air
from tests.browser.conftest import Service
from tests.browser.hands import set_up_one


class Keys:
    """Hands that have a keyboard and no mouse."""

    def __init__(self, page: Any) -> None:
        self.page = page

    def to(self, selector: str) -> None:
        """Tab on until what is meant has the focus."""
        for _ in range(150):
            if self.page.evaluate("s => !!document.activeElement && document.activeElement.matches(s)", selector):
                return
            self.page.keyboard.press("Tab")
        pytest.fail(f"no number of tabs leads to {selector}")

    def type(self, name: str, text: str) -> None:
        """Write into a field."""
        self.to(f'[name="{name}"]')
        self.page.keyboard.press("Control+A")
        self.page.keyboard.type(text)

    def choose(self, name: str, value: str) -> None:
        """Choose one of several, with the arrows."""
        self.to(f'input[type=radio][name="{name}"]')
        for _ in range(20):
            if self.page.is_checked(f'input[name="{name}"][value="{value}"]'):
                return
            self.page.keyboard.press("ArrowDown")
        pytest.fail(f"no number of arrows chooses {value} of {name}")

    def press(self, words: str) -> None:
        """Press a button or follow a link, by its words."""
        for _ in range(150):
            text = self.page.evaluate("document.activeElement.innerText || ''")
            if words in text and self.page.evaluate("document.activeElement !== document.body"):
                with_focus = self.page.evaluate("document.activeElement.matches('a, button, summary')")
                if with_focus:
                    self.page.keyboard.press("Enter")
                    return
            self.page.keyboard.press("Tab")
        pytest.fail(f"no number of tabs leads to {words}")


def _set_up(page: Any, keys: Keys, sent: Any) -> None:
    keys.press("Set up an engine")
    page.wait_for_selector("h1:has-text('Set up')")
    for _ in range(2):
        with page.expect_navigation():
            keys.press("More rows")
    for i, needle in enumerate(sent.needles):
        keys.type(f"needles.{i}.label", needle.label)
        keys.type(f"needles.{i}.taper_slope.value", f"{needle.taper_slope.value:g}")
        if needle.label == sent.fitted_needle:
            fitted = str(i)
    _keep_picture(page, "set_up")
    keys.choose("fitted_row", fitted)
    keys.type("elevation.value", f"{sent.elevation.value:g}")
    keys.choose("throttle_body.lean_direction", "clockwise")
    keys.press("Set up this engine")
    page.wait_for_selector(".step", timeout=120_000)


def _record(page: Any, keys: Keys, run: RunIn) -> None:
    keys.press("Record the run")
    page.wait_for_selector("h1:has-text('Record a run')")
    assert run.pressure is not None
    keys.type("air_temperature.value", f"{run.air_temperature.value:g}")
    keys.type("air_pressure.value", f"{run.pressure.value:g}")
    keys.to("[name=pressure_kind]")
    page.keyboard.type("pressure")
    _keep_picture(page, "run")
    keys.press("Next")
    match run.egt_rise:
        case PeakSeen(rise=rise):
            keys.press("Enter the rise itself")
            keys.type("peak.value", f"{rise.value:g}")
        case RoughBeforePeak(rise=rise):
            keys.choose("seen", "rough_before_peak")
            keys.type("rough.value", f"{rise.value:g}")
        case FellAtOnce():
            keys.choose("seen", "fell_at_once")
    keys.press("Next")
    keys.choose("idle_quality", str(run.idle_quality))
    keys.press("Next")
    assert run.idle_rpm is not None
    keys.type("idle_rpm.value", f"{run.idle_rpm.value:g}")
    keys.press("Next")
    keys.press("Other figures")
    for name in ("static_rpm", "idle_rpm_rise"):
        keys.type(f"{name}.value", f"{getattr(run, name).value:g}")
    keys.press("Next")
    keys.press("Record the run")
    page.wait_for_url(lambda url: not url.endswith("/run"))
    page.wait_for_selector(".step", timeout=120_000)


def _entries(service: Service, home: str) -> list[dict[str, Any]]:
    number = home.rpartition("/")[2]
    with urlopen(f"{service.address}/api/v1/installations/{number}/history") as answer:  # noqa: S310 - our own service
        found: list[dict[str, Any]] = json.load(answer)["entries"]
        return found


def _keep_picture(page: Any, name: str) -> None:
    """Keep what the phone shows, where a folder for pictures is named."""
    folder = os.environ.get("TAPERWISE_PICTURES")
    if folder:
        page.screenshot(path=Path(folder) / f"{name}.png")


_ADJUSTMENT: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)
_MOST_RUNS = 12


@pytest.mark.slow
@pytest.mark.parametrize("phone", [{"color_scheme": "dark"}], indirect=True)
def test_a_whole_tuning_with_a_keyboard(real_service: Service, phone: Any) -> None:
    """A virtual engine is set up, run and turned as the card says until it is tuned; then the sheet is printed."""
    sent = installation_from(None)
    engine = VirtualEngine.draw(sent.record(), 26)
    air = Air(291.15, 99_300.0)
    keys = Keys(phone)
    phone.goto(f"{real_service.address}/")
    began = time.monotonic()
    _set_up(phone, keys, sent)
    home = phone.url
    first, typed = 0.0, []
    while not phone.locator(".step.keep").count():
        assert len(typed) < _MOST_RUNS, phone.inner_text(".do")
        _keep_picture(phone, f"step-{len(typed)}")
        if phone.locator(".bar button:has-text('Done')").count():
            keys.press("Done")
            phone.wait_for_selector(".bar a:has-text('Record the run')", timeout=120_000)
            engine.adjust(_ADJUSTMENT.validate_python(_entries(real_service, home)[-1]["adjustment"]).record())
        typed.append(RunIn.model_validate(run_body(engine.run(air))))
        _record(phone, keys, typed[-1])
        first = first or time.monotonic() - began
    _keep_picture(phone, "tuned")
    assert phone.locator(".path .confirmed").count() == 3
    assert "Change nothing" in phone.inner_text(".do")
    keys.press("Open the tuning sheet")
    phone.wait_for_selector(".verdict")
    assert "All three stages are confirmed" in phone.inner_text(".verdict")
    with urlopen(f"{home}/sheet.pdf") as pdf:  # noqa: S310 - as above
        assert pdf.read(5) == b"%PDF-"
    stored = [e["run"] for e in _entries(real_service, home) if e["kind"] == "run"]
    assert [RunIn.model_validate(run).record() for run in stored] == [run.record() for run in typed]
    phone.goto(f"{home}/pictures")
    phone.wait_for_selector(".picture img", timeout=120_000)
    shown = "() => [...document.images].every((image) => image.complete && image.naturalWidth > 0)"
    assert phone.evaluate(shown)
    _keep_picture(phone, "pictures")
    assert first < 120.0  # the machine's share of a newcomer's two minutes: set-up, run and answer


@pytest.mark.parametrize("phone", [{"java_script_enabled": False}], indirect=True)
def test_without_any_script(service: Service, phone: Any) -> None:
    """Set up, record and read the next step in a browser that runs no script."""
    phone.goto(f"{service.address}/installations/new")
    set_up_one(phone)
    phone.wait_for_selector(".step")
    phone.click("a:has-text('Record the run')")
    phone.fill("[name='air_temperature.value']", "68")
    phone.fill("[name='air_pressure.value']", "29.98")
    phone.fill("[name='egt_rich.value']", "1290")
    phone.fill("[name='egt_peak.value']", "1450")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector(".step")
    assert "1 run recorded" in phone.text_content("main")
