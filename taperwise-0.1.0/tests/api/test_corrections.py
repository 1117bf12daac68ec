"""Undo and correct: the posterior follows, the history keeps both."""

from typing import Any

import pytest

from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn


def _post(client: Client, place: str, what: str, body: dict[str, Any]) -> Any:
    answer = client.post(f"{place}/{what}", json=body)
    assert answer.status_code == 201, answer.text
    return answer.json()


def test_a_turn_is_corrected(client: Client, place: str, stand_in: StandIn) -> None:
    """The position follows the correction, the model learns anew, and what was typed first stays in the history."""
    _post(client, place, "runs", RUN)
    _post(client, place, "adjustments", {"kind": "turn_screw", "turns": 0.25})
    learned = stand_in.learned
    fixed = {"reason": "it was the other way", "adjustment": {"kind": "turn_screw", "turns": -0.25}}
    answer = _post(client, place, "entries/2/corrections", fixed)
    assert answer["position"]["turns"] == -0.25
    assert stand_in.learned == learned + 1
    entry = client.get(f"{place}/history").json()["entries"][1]
    assert entry["adjustment"]["turns"] == 0.25
    assert entry["corrections"][0]["adjustment"]["turns"] == -0.25
    assert entry["corrections"][0]["reason"] == "it was the other way"
    assert not entry["voided"]


def test_a_run_is_voided_and_brought_back(client: Client, place: str) -> None:
    """A voided run informs nothing; a later correction may bring it back, and all three stay."""
    _post(client, place, "runs", RUN)
    gone = _post(client, place, "entries/1/corrections", {"reason": "wrong aeroplane", "void": True})
    assert gone["entry"]["voided"]
    assert gone["confidence"]["runs"] == 0
    back = _post(client, place, "entries/1/corrections", {"reason": "right after all", "run": RUN})
    assert not back["entry"]["voided"]
    assert back["confidence"]["runs"] == 1
    assert len(client.get(f"{place}/history").json()["entries"][0]["corrections"]) == 2


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"reason": "slip", "adjustment": {"kind": "turn_screw", "turns": 0.25}}, "cannot change the kind"),
        ({"reason": "slip"}, "exactly one"),
        ({"reason": "slip", "void": True, "run": RUN}, "exactly one"),
        ({"void": True}, "reason"),
        ({"reason": "slip", "void": False}, "void"),
        ({"reason": "slip", "run": {**RUN, "egt_rise": None, "trace": {"csv": "t,EGT"}}}, "cannot have a logger file"),
    ],
)
def test_a_correction_has_to_make_sense(client: Client, place: str, body: dict[str, Any], words: str) -> None:
    """What cannot be is refused by name, and nothing changes."""
    _post(client, place, "runs", RUN)
    refused = problem(client.post(f"{place}/entries/1/corrections", json=body), 422)
    assert words in str(refused)
    assert client.get(f"{place}/history").json()["entries"][0]["corrections"] == []


def test_a_correction_of_nothing(client: Client, place: str) -> None:
    """An entry that is not there cannot be corrected."""
    problem(client.post(f"{place}/entries/7/corrections", json={"reason": "slip", "void": True}), 404)


def test_a_needle_nobody_has(client: Client, place: str) -> None:
    """A needle change cannot be corrected into one that is not on hand."""
    _post(client, place, "adjustments", {"kind": "change_needle", "needle": "taper 30.6"})
    wrong = {"reason": "slip", "adjustment": {"kind": "change_needle", "needle": "taper 99"}}
    assert "Your needles" in str(problem(client.post(f"{place}/entries/1/corrections", json=wrong), 422))


def test_will_it_hold(recorded_client: Client, needles: list[dict[str, Any]]) -> None:
    """The fan and both days come in the installation's units."""
    body = {"needles": needles, "fitted_needle": "taper 30.0", "units": {"elevation": "m"}}
    place = recorded_client.post("/api/v1/installations", json=body).headers["Location"]
    _post(recorded_client, place, "runs", {**RUN, "idle_quality": "smooth"})
    held = recorded_client.get(f"{place}/holding").json()
    assert held["hot_high"]["density_altitude"] > 2000
    assert held["hot_high"]["density_altitude_unit"] == "m"
    assert len(held["fan"]) > 10
