"""The card just after an adjustment was recorded: all of it above the bar, on one screen of a phone."""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from taperwise.shared.outlook import RunsToFinish
from taperwise.shared.recommendation import Stage, Suggestion
from taperwise.shared.records import ChangeNeedle, TurnScrew
from tests.api.conftest import StandIn
from tests.browser.conftest import PHONE, Service
from tests.browser.hands import RUN, post

TURNS: dict[str, dict[str, Any]] = {
    "needle_holder": {"kind": "turn_screw", "turns": -0.1875},
    "idle_stop": {"kind": "turn_idle_stop", "turns": 0.125},
    "needle": {"kind": "change_needle", "needle": "taper 30.6", "turns_from_mark": -0.3125},
}


class JustRecorded(StandIn):
    """Asks for a run at a setting that was not run yet, with the words and figures the real model has for it."""

    def suggest(self, learned: Any) -> Suggestion:
        """The setting is the log's; how many runs remain is a long range; after the idle stop the idle comes first."""
        made, entries = super().suggest(learned), learned.posterior.entries
        needle = [e.needle for e in entries if isinstance(e, ChangeNeedle)]
        full_throttle = needle or any(isinstance(e, TurnScrew) for e in entries)
        stage = Stage.FULL_THROTTLE if full_throttle else Stage.IDLE_MIXTURE
        now = replace(made.confidence, runs_here=0, position_turns=-0.1875, stage=stage)
        now = replace(now, fitted_needle=needle[-1]) if needle else now
        return replace(made, stage=stage, confidence=now, runs_to_finish=RunsToFinish(11.2, 10, 14))


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """A service with it."""
    made = Service(tmp_path, JustRecorded)
    made.on()
    yield made
    made.off()


@pytest.mark.parametrize("recorded", TURNS)
def test_all_of_it_lies_above_the_bar(service: Service, phone: Any, recorded: str) -> None:
    """The notice, what to do, the caution, the runs that remain and the three stages."""
    needles = [{"label": f"taper {slope}", "taper_slope": {"value": slope, "unit": "mm/m"}} for slope in (30.0, 30.6)]
    body = {"needles": needles, "fitted_needle": "taper 30.0", "elevation": {"value": 650, "unit": "ft"}}
    home = f"/installations/{post(service, '/installations', body)['id']}"
    post(service, f"{home}/runs", RUN)
    post(service, f"{home}/adjustments", TURNS[recorded])
    phone.goto(f"{service.address}{home}")
    for part in (".just-recorded", ".path", ".do", ".warning.one", ".to-go"):
        phone.wait_for_selector(part)
    ends = phone.evaluate(
        "() => Object.fromEntries([...document.querySelectorAll('.just-recorded, .path, .step, .step *')]"
        ".map((each) => [`${each.className || each.tagName}`, each.getBoundingClientRect().bottom]))"
    )
    bar = phone.evaluate("document.querySelector('.bar').getBoundingClientRect().top")
    assert PHONE["height"] - 100 < bar < PHONE["height"]
    assert {name: end for name, end in ends.items() if end > bar} == {}
