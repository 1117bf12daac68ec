"""A broken model, or a database changed by hand: nothing that breaks a safety rule gets out, by any road."""

import json
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from sqlalchemy import select, text
from typer.testing import CliRunner

from taperwise.api.app import create_app
from taperwise.api.cli import context
from taperwise.api.cli.main import app as commands
from taperwise.api.core.database import Answer, Database
from taperwise.api.core.settings import Settings
from taperwise.api.recommendations.repository import get, put
from taperwise.model import MODEL_VERSION
from taperwise.shared.recommendation import (
    Action,
    ActionKind,
    Candidate,
    Information,
    Interval,
    MostInformative,
    Stage,
    Suggestion,
)
from taperwise.shared.records import TurnSense
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn

type Broken = Callable[[Suggestion], Suggestion]

_LEANER = TurnSense.CLOCKWISE
_MARKS = ("turn_screw", "leaner", "no such needle", "another eighth", "Leave everything as it is")
"""Words that only a suggestion to turn, or to leave all as it is, has."""


def _action(**parts: Any) -> Broken:
    return lambda s: replace(s, action=Action(**parts))


def _turn(turns: float, sense: TurnSense = _LEANER) -> Action:
    return Action(ActionKind.TURN_SCREW, turns=turns, hex_direction=sense, effect="leaner" if turns < 0 else "richer")


def _offered(turns: float, lean_chance: float) -> Broken:
    """As one of the alternatives, which the page shows too."""

    def break_it(s: Suggestion) -> Suggestion:
        expected = replace(s.expected, lean_chance=lean_chance)
        return replace(s, alternatives=(Candidate(_turn(turns), Information(0.1, 0.0), expected, 1.0),))

    return break_it


def _likely_lean(s: Suggestion) -> Suggestion:
    return replace(s, action=_turn(-0.125), expected=replace(s.expected, lean_chance=0.5))


def _lean_already(s: Suggestion) -> Suggestion:
    confidence = replace(s.confidence, lean_chance=0.5)
    return replace(s, action=_turn(-0.125), expected=replace(s.expected, lean_chance=0.0), confidence=confidence)


def _untrusted(s: Suggestion) -> Suggestion:
    diagnostics = replace(s.provenance.diagnostics, converged=False)
    safe = replace(s.expected, lean_chance=0.0)
    confidence = replace(s.confidence, lean_chance=0.0)
    provenance = replace(s.provenance, diagnostics=diagnostics)
    return replace(s, action=_turn(-0.125), expected=safe, confidence=confidence, provenance=provenance)


def _not_a_number(s: Suggestion) -> Suggestion:
    return replace(s, confidence=replace(s.confidence, offset_turns=Interval(math.nan, -1.0, 1.0, -2.0, 2.0)))


_BROKEN: dict[str, Broken] = {
    "a full turn leaner": lambda s: replace(s, action=_turn(-1.0)),
    "a third of a turn": lambda s: replace(s, action=_turn(-1 / 3)),
    "the wrong way round": lambda s: replace(s, action=_turn(-0.125, _LEANER.opposite())),
    "likely lean of peak": _likely_lean,
    "lean of peak already": _lean_already,
    "leaner, among the others": _offered(-1.0, 0.0),
    "lean of peak, among the others": _offered(-0.125, 0.5),
    "draws that cannot be trusted": _untrusted,
    "a number that is none": _not_a_number,
    "an infinite turn": lambda s: replace(s, action=_turn(-math.inf)),
    "a chance above one": lambda s: replace(s, confidence=replace(s.confidence, chance_both=1.5)),
    "tuned, and nothing confirmed": _action(kind=ActionKind.KEEP),
    "a needle that is not there": _action(kind=ActionKind.CHANGE_NEEDLE, needle="no such needle", turns_from_mark=0.0),
    "a repeat that turns": _action(kind=ActionKind.REPEAT_RUN, turns=-1.0),
    "most informative, and not allowed": lambda s: replace(
        s, most_informative=MostInformative(_turn(-0.125), Information(0.1, 0.0), 0.0)
    ),
}


class Broke(StandIn):
    """Suggests what it must not."""

    def __init__(self, seed: int, broken: Broken) -> None:
        super().__init__(seed)
        self.broken = broken

    def suggest(self, learned: Any) -> Suggestion:
        """Break the rule."""
        return self.broken(super().suggest(learned))


_ROADS = ("", "/card", "/sheet", "/sheet.pdf", "/checklist", "/history", "/notes", "/runs/new", "/adjustments/new")
_LISTS = ("/installations", "/desk", "/installations/desk")


def _nothing_gets_out(client: Client, place: str, number: int) -> None:
    """By JSON and by every page that knows the installation."""
    for path in (f"{place}/suggestion", f"{place}/confidence"):
        refused = problem(client.get(path), 503)
        assert "safety rule" in refused["detail"]
        assert not any(mark in refused["detail"] for mark in _MARKS[2:])
    for path in (*(f"/installations/{number}{road}" for road in _ROADS), *_LISTS):
        answer = client.get(path)
        assert answer.status_code < 600
        assert not any(mark in answer.text for mark in ("turn_screw", *_MARKS[2:])), path
        assert "1 turn" not in answer.text, path


@pytest.fixture
def broken_client(settings: Settings, request: pytest.FixtureRequest) -> Any:
    """A service with a broken model."""
    adviser = Broke(7, _BROKEN[request.param])
    with Client(create_app(settings, lambda _seed: adviser), raise_server_exceptions=False) as made:
        yield made


@pytest.mark.parametrize("broken_client", _BROKEN, indirect=True)
def test_nothing_unsafe_gets_out(broken_client: Client, needles: list[dict[str, Any]]) -> None:
    """The run is recorded; what came out of the model is held back on every road, and not stored."""
    place = broken_client.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
    recorded = broken_client.post(f"{place}/runs", json=RUN)
    assert recorded.status_code == 201
    assert recorded.json()["suggestion"] is None
    assert recorded.json()["confidence"] is None
    _nothing_gets_out(broken_client, place, 1)
    with _database(broken_client).reading() as session:
        assert session.scalars(select(Answer)).all() == []


def test_nothing_is_turned_after_a_limit(settings: Settings, needles: list[dict[str, Any]]) -> None:
    """Even an allowed step, with a limit exceeded: only a look for the cause may be suggested."""
    adviser = Broke(7, lambda s: replace(s, action=_turn(0.125, _LEANER.opposite())))
    with Client(create_app(settings, lambda _seed: adviser), raise_server_exceptions=False) as client:
        watch = {"cht": {"value": 400, "unit": "degF"}}
        body = {"lean_direction": "clockwise"}
        sent = {"needles": needles[:1], "watch": watch, "throttle_body": body}
        place = client.post("/api/v1/installations", json=sent).headers["Location"]
        cool = client.post(f"{place}/runs", json=RUN | {"highest": {"cht": {"value": 390, "unit": "degF"}}})
        assert cool.json()["suggestion"]["action"]["kind"] == "turn_screw"
        hot = client.post(f"{place}/runs", json=RUN | {"highest": {"cht": {"value": 420, "unit": "degF"}}})
        assert hot.status_code == 201
        assert hot.json()["suggestion"] is None
        _nothing_gets_out(client, place, 1)


@pytest.mark.parametrize("command", [["next", "1"], ["next", "1", "--json"], ["sheet", "1"], ["list"]])
def test_nothing_unsafe_is_printed(
    settings: Settings, monkeypatch: pytest.MonkeyPatch, needles: list[dict[str, Any]], command: list[str]
) -> None:
    """The command line has no other door."""
    adviser = Broke(7, _BROKEN["a full turn leaner"])
    with Client(create_app(settings, lambda _seed: adviser)) as client:
        place = client.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
        client.post(f"{place}/runs", json=RUN)
    monkeypatch.setenv("TAPERWISE_DATABASE_URL", settings.url)
    monkeypatch.setattr(context, "make_recommender", lambda _seed: adviser)
    result = CliRunner().invoke(commands, command)
    assert "leaner" not in result.stdout
    assert "turn_screw" not in result.stdout
    assert command == ["list"] or result.exit_code != 0


def _database(client: Client) -> Database:
    database: Database = client.app.state.database  # type: ignore[attr-defined] - the client hides the type
    return database


def _a_turn(document: dict[str, Any]) -> dict[str, Any]:
    leaner = {"kind": "turn_screw", "turns": -0.125, "hex_direction": "clockwise", "effect": "leaner"}
    return document | {"action": document["action"] | leaner}


def _far_off(document: dict[str, Any]) -> dict[str, Any]:
    return document | {"confidence": document["confidence"] | {"chance_both": 0.99}}


@pytest.mark.parametrize("change", [_a_turn, _far_off, lambda _: {"another": "thing"}, lambda _: {}])
def test_an_answer_changed_by_hand_is_made_again(
    client: Client, place: str, change: Callable[[dict[str, Any]], dict[str, Any]]
) -> None:
    """Whatever somebody wrote into the database, the log decides; lists show no answer until it is made again."""
    before = client.post(f"{place}/runs", json=RUN).json()["suggestion"]
    with _database(client).unit() as session:
        row = session.get_one(Answer, 1)
        row.document = change(row.document)
    assert "Repeat" not in client.get("/installations").text
    assert client.get(f"{place}/suggestion").json() == before


def test_an_answer_of_another_engine_is_none(client: Client, place: str, needles: list[dict[str, Any]]) -> None:
    """A row that was copied from one installation to another is not the other one's."""
    other = client.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
    for each in (place, other):
        client.post(f"{each}/runs", json=RUN)
    with _database(client).unit() as session:
        session.get_one(Answer, 2).document = session.get_one(Answer, 1).document
    with _database(client).reading() as session:
        assert get(session, 2, 1, 7, MODEL_VERSION) is None


def test_an_unsafe_answer_that_is_sealed_is_still_held_back(client: Client, place: str) -> None:
    """Were one to come into the database some other way, it is held against the rules on its way out as well."""
    client.post(f"{place}/runs", json=RUN)
    with _database(client).unit() as session:
        row = session.get_one(Answer, 1)
        document = _a_turn(row.document) | {}
        document["action"] = document["action"] | {"turns": -1.0}
        del document["seal"]
        put(session, 1, row.sequence, row.seed, row.model_version, document)
    assert client.get(f"{place}/suggestion").json()["action"]["kind"] == "repeat_run"


@pytest.mark.parametrize(
    "document", [{}, {"air_temperature": "warm"}, RUN | {"pressure": {"value": 1e400, "unit": "inHg"}}, []]
)
def test_an_entry_changed_by_hand_is_named(client: Client, place: str, document: Any) -> None:
    """No result is shown from a log that cannot be read; the entry is named, and can be voided."""
    for _ in range(3):
        assert client.post(f"{place}/runs", json=RUN).status_code == 201
    with _database(client).unit() as session:
        written = json.dumps(document).replace("Infinity", "1e400")  # as JSON has it: a number that no float holds
        session.execute(text("UPDATE entries SET document = :written WHERE sequence = 2"), {"written": written})
    for path in (f"{place}/suggestion", f"{place}/history", f"{place}/whatif", f"{place}/holding"):
        (told,) = problem(client.get(path), 503)["errors"]
        assert (told["field"], told["value"]) == ("sequence", "2")
    assert client.get("/installations/1").status_code == 503
    assert client.get("/installations").status_code == 200


def test_stages_are_named_as_the_model_names_them() -> None:
    """The marks that these tests look for are words of the answers they keep out."""
    assert _MARKS[0] == ActionKind.TURN_SCREW
    assert Stage.TUNED == "tuned"
