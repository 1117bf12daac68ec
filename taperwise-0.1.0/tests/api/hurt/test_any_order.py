"""Whatever is recorded, corrected, voided, asked and refitted, in whatever order: the log holds together."""

import tempfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule
from sqlalchemy import select

from taperwise.api.app import create_app
from taperwise.api.background.worker import Worker
from taperwise.api.core.database import Answer
from taperwise.api.core.settings import Settings
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn

NEEDLES = [{"label": label, "taper_slope": {"value": v, "unit": "mm/m"}} for label, v in (("a", 29.4), ("b", 30.6))]
sixteenths = st.integers(-16, 16).filter(bool).map(lambda n: n / 16)
adjustments = st.one_of(
    st.builds(lambda turns: {"kind": "turn_screw", "turns": turns}, sixteenths),
    st.builds(lambda turns: {"kind": "turn_idle_stop", "turns": turns}, sixteenths),
    st.builds(
        lambda needle, turns: {"kind": "change_needle", "needle": needle, "turns_from_mark": turns},
        st.sampled_from("ab"), sixteenths,
    ),
)  # fmt: skip


class Log(RuleBasedStateMachine):
    """The service beside a list of what it should hold: kind, document that stands (None: voided), corrections."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = tempfile.TemporaryDirectory()
        self.client = Client(create_app(Settings(data_folder=Path(self.folder.name), database_url=""), StandIn))
        self.client.__enter__()
        self.state: Any = self.client.app.state  # type: ignore[attr-defined] - the client hides the type
        self.entries: list[list[Any]] = []
        self.latest = datetime.now(UTC) - timedelta(days=30)

    @initialize()
    def set_up(self) -> None:
        """An installation."""
        answer = self.client.post("/api/v1/installations", json={"needles": NEEDLES, "fitted_needle": "a"})
        self.place = answer.headers["Location"]

    def _append(self, what: str, kind: str, body: dict[str, Any], minutes: int) -> Any:
        time = self.latest + timedelta(minutes=minutes)
        answer = self.client.post(f"{self.place}/{what}", json={**body, "time": time.isoformat()})
        if minutes < 0 and self.entries:
            assert "before the last entry" in problem(answer, 422)["detail"]
            return answer
        assert answer.status_code == 201, answer.text
        self.entries.append([kind, body, 0])
        self.latest = time
        return answer

    @rule(note=st.text("ab ", min_size=1, max_size=5).filter(str.strip), minutes=st.integers(-3, 60))
    def record(self, note: str, minutes: int) -> None:
        """A run, now and then out of order in time."""
        self._append("runs", "run", {**RUN, "note": note}, minutes)

    @rule(body=adjustments, minutes=st.integers(-3, 60))
    def adjust(self, body: dict[str, Any], minutes: int) -> None:
        """An adjustment; a step beyond the limit is recorded as made, with a warning."""
        answer = self._append("adjustments", "adjustment", body, minutes)
        if answer.status_code == 201:
            turned = body["kind"] != "change_needle"
            beyond = turned and abs(body["turns"]) > 0.25
            assert any("step limit" in warning for warning in answer.json()["warnings"]) == beyond

    @precondition(lambda self: self.entries)
    @rule(data=st.data(), body=adjustments, void=st.booleans())
    def correct(self, data: st.DataObject, body: dict[str, Any], void: bool) -> None:
        """Any entry, as often as one likes; into another kind it is refused."""
        at = data.draw(st.integers(0, len(self.entries) - 1))
        other = {"void": True} if void else {"adjustment": body}
        sent = {"reason": "mistyped", **other}
        answer = self.client.post(f"{self.place}/entries/{at + 1}/corrections", json=sent)
        if not void and self.entries[at][0] == "run":
            problem(answer, 422)
            return
        assert answer.status_code == 201, answer.text
        self.entries[at][1] = None if void else body
        self.entries[at][2] += 1

    @rule()
    def suggest(self) -> None:
        """The suggestion is for the log as it stands, and within the limits."""
        answer = self.client.get(f"{self.place}/suggestion")
        assert answer.status_code == 200
        assert abs(answer.json()["action"]["turns"] or 0.0) <= 0.25
        assert answer.json()["confidence"]["runs"] == sum(k == "run" and d is not None for k, d, _ in self.entries)

    @rule(turns=sixteenths)
    def what_if(self, turns: float) -> None:
        """A step beyond the limit, or between the eighths, may not even be asked about."""
        allowed = abs(turns) <= 0.25 and (turns * 8).is_integer()
        answer = self.client.get(f"{self.place}/whatif", params={"turns": turns})
        assert answer.status_code == (200 if allowed else 422), answer.text

    @rule()
    def refit(self) -> None:
        """An answer of an older model is made anew by the worker, and then nothing waits."""
        with self.state.database.unit() as session:
            for row in session.scalars(select(Answer)):
                row.model_version = "older"
        worker = Worker(self.state.database, self.state.desk, lambda: datetime.now(UTC) + timedelta(minutes=1))
        while worker.work_once():
            pass
        worker.stop()
        if self.entries:
            assert self.state.desk.kept(self.state.database, 1) is not None

    @invariant()
    def holds_together(self) -> None:
        """Numbers without a gap, times in order, everything as sent, the position the sum of what stands."""
        history = self.client.get(f"{self.place}/history").json()
        kept = history["entries"]
        assert [entry["sequence"] for entry in kept] == list(range(1, len(self.entries) + 1))
        times = [datetime.fromisoformat(entry["time"]) for entry in kept]
        assert times == sorted(times)
        needle, turns, idle = "a", 0.0, 0.0
        for entry, (kind, document, corrections) in zip(kept, self.entries, strict=True):
            assert (entry["kind"], len(entry["corrections"])) == (kind, corrections)
            assert entry["voided"] == (document is None)
            if kind == "adjustment" and document is not None:
                if document["kind"] == "change_needle":
                    needle, turns = document["needle"], document["turns_from_mark"]
                elif document["kind"] == "turn_screw":
                    turns += document["turns"]
                else:
                    idle += document["turns"]
        where = history["position"]
        assert where["fitted_needle"] == needle
        assert (where["turns"], where["idle_stop_turns"]) == (pytest.approx(turns), pytest.approx(idle))

    def teardown(self) -> None:
        """Gone."""
        self.client.__exit__(None, None, None)
        self.folder.cleanup()


TestAnyOrder = pytest.mark.both(pytest.mark.slow(Log.TestCase))
TestAnyOrder.settings = hypothesis_settings(max_examples=12, stateful_step_count=20, deadline=None)
