"""An answer that its sender does not wait for."""

import time
from typing import Any

import pytest

from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn

TURN = {"kind": "turn_screw", "turns": 0.125}
LATER = {"Prefer": "wait=10, Respond-Async; x=y"}


@pytest.mark.parametrize(
    ("what", "body"), [("runs", RUN), ("adjustments", TURN), ("acknowledgements", {"cause": "none"})]
)
def test_recorded_at_once_and_answered_later(
    client: Client, place: str, stand_in: StandIn, what: str, body: dict[str, Any]
) -> None:
    """The entry is recorded, nothing is learned for it, and the suggestion is there for whoever asks."""
    answer = client.post(f"{place}/{what}", json=body, headers=LATER)
    assert answer.status_code == 201
    assert answer.headers["Preference-Applied"] == "respond-async"
    assert answer.json()["suggestion"] is None
    assert "Saved" in answer.json()["warnings"][-1]
    assert stand_in.learned == 0
    assert len(client.get(f"{place}/history").json()["entries"]) == 1
    assert client.get(f"{place}/suggestion").status_code == 200


def test_the_worker_makes_it(client: Client, place: str) -> None:
    """Where the worker works it is asked at once; nobody needs to ask for the suggestion first."""
    state: Any = client.app.state  # type: ignore[attr-defined] - the client hides the type
    state.worker.start()
    answer = client.post(f"{place}/runs", json=RUN, headers=LATER)
    assert "being calculated" in answer.json()["warnings"][-1]
    for _ in range(1000):
        if state.desk.kept(state.database, 1) is not None:
            break
        time.sleep(0.02)
    assert state.desk.kept(state.database, 1) is not None


@pytest.mark.parametrize("prefer", ["", "wait=5", "return=minimal", "x-respond-async"])
def test_nothing_else_is_meant(client: Client, place: str, prefer: str) -> None:
    """Other preferences change nothing."""
    answer = client.post(f"{place}/runs", json=RUN, headers={"Prefer": prefer})
    assert answer.json()["suggestion"] is not None
    assert "Preference-Applied" not in answer.headers
