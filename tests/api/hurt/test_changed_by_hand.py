"""What somebody wrote into the database by hand: told in words of the engine concerned, and the lists stay up."""

import json
from typing import Any

import pytest
from sqlalchemy import text

from taperwise.api.backup.rows import digests
from taperwise.api.core.database import Database
from taperwise.shared.errors import InvalidValueError
from tests.api.asking import RUN, Client, problem
from tests.api.everything_on import sqlite_only

pytestmark = sqlite_only  # a server refuses most of these values itself

_LISTS = ("/api/v1/overview", "/api/v1/installations", "/api/v1/installations?name=1", "/desk", "/installations")


def _database(client: Client) -> Database:
    found: Database = client.app.state.database  # type: ignore[attr-defined]
    return found


@pytest.fixture
def changed(client: Client, needles: list[dict[str, Any]]) -> Any:
    """Two engines with a run and a note; a statement changes the first one."""
    for number in (1, 2):
        place = f"/api/v1/installations/{number}"
        assert client.post("/api/v1/installations", json={"needles": needles[:1], "name": "A"}).status_code == 201
        assert client.post(f"{place}/runs", json=RUN).status_code == 201
        assert client.post(f"{place}/notes", json={"text": "look"}).status_code == 201

    def change(table: str, column: str, value: Any) -> None:
        key = "id" if table == "installations" else "installation_id"
        with _database(client).unit() as session:
            session.execute(text(f"UPDATE {table} SET {column} = :value WHERE {key} = 1"), {"value": value})  # noqa: S608

    return change


def _lists_stay(client: Client) -> None:
    for path in _LISTS:
        assert client.get(path).status_code == 200, path
    assert client.get("/installations/2").status_code == 200


@pytest.mark.parametrize("value", ["xx", b"\xff\xff", '{"name": NaN}', "[]", "null", "5"])
def test_a_damaged_set_up_is_named(client: Client, changed: Any, value: Any) -> None:
    """Every address of the engine says so, a page as a page; lists leave it out by number or mark it."""
    changed("installations", "document", value)
    place = "/api/v1/installations/1"
    for path in ("", "/suggestion", "/history", "/table", "/export"):
        (told,) = problem(client.get(place + path), 503)["errors"]
        assert "changed in the database" in told["message"], path
        assert told["cure"] == "Restore a backup.", path
    for deed, body in (("runs", RUN), ("adjustments", {"kind": "turn_screw", "turns": 0.125})):
        problem(client.post(f"{place}/{deed}", json=body), 503)
    for path in ("/installations/1", "/installations/1/history", "/installations/1/run"):
        page = client.get(path)
        assert (page.status_code, page.headers["content-type"][:9]) == (503, "text/html"), path
        assert "changed in the database" in page.text
    _lists_stay(client)
    assert client.get("/api/v1/installations").json()["damaged"] == [1]


def test_a_list_marks_what_is_no_json(client: Client, changed: Any) -> None:
    """Its name is unknown."""
    changed("installations", "document", "xx")
    assert "Engine 1 (changed in the database: restore a backup)" in client.get("/desk").text


@pytest.mark.parametrize(
    ("table", "column", "value", "paths"),
    [
        ("entries", "happened_at", "garbage", ("/history", "/table", "/export")),
        ("entries", "document", "{", ("/suggestion", "/history", "/table", "/export")),
        ("entries", "kind", "zz", ("/suggestion", "/export")),
        ("installations", "created_at", "never", ("", "/export")),
        ("notes", "written_at", "zz", ("/notes/1", "/export")),
        ("notes", "text", b"\xff\x00", ("/notes/1", "/export")),
    ],
)
def test_a_damaged_value_is_named(
    client: Client, changed: Any, table: str, column: str, value: Any, paths: tuple[str, ...]
) -> None:
    """No time, document or kind that was changed into none fails the service."""
    changed(table, column, value)
    for path in paths:
        told = problem(client.get(f"/api/v1/installations/1{path}"), 503)
        assert "changed in the database" in told["detail"], path
    _lists_stay(client)
    assert client.get("/api/v1/installations/1/notes").status_code == 200
    assert client.get("/installations/1").status_code == (200 if table in ("notes", "installations") else 503)
    assert client.post("/api/v1/installations/1/runs", json=RUN).status_code in (201, 503)


@pytest.mark.parametrize("value", ["{not json", "[]", "null", b"\xff"])
def test_a_damaged_answer_is_made_again(client: Client, changed: Any, value: Any) -> None:
    """The log decides."""
    before = client.get("/api/v1/installations/1/suggestion").json()
    changed("answers", "document", value)
    _lists_stay(client)
    assert client.get("/api/v1/installations/1/suggestion").json() == before


@pytest.mark.parametrize(
    ("column", "value"),
    [
        ("stage", "tuned"), ("stage", "done"), ("chance_both", "abc"), ("chance_both", 9e999), ("runs", "x"),
        ("exceeded", "{"), ("findings", 3), ("seal", None),
    ],
)  # fmt: skip
def test_damaged_figures_are_not_listed(client: Client, changed: Any, column: str, value: Any) -> None:
    """Lists show none of them until the answer is made again."""
    before = client.get("/api/v1/overview").json()["engines"]
    assert [each["stage"] for each in before] == ["full_throttle"] * 2
    changed("standings", column, value)
    (engine,) = (each for each in client.get("/api/v1/overview").json()["engines"] if each["id"] == 1)
    assert (engine["stage"], engine["chance_both"], engine["current"]) == (None, None, False)
    _lists_stay(client)
    assert client.get("/api/v1/installations/1/suggestion").status_code == 200
    assert client.get("/api/v1/overview").json()["engines"] == before


def test_a_stop_is_found_again(client: Client, changed: Any, needles: list[dict[str, Any]]) -> None:
    """It follows from the log, whatever became of the row."""
    watched = {"set_up": {"watch": {"rpm": {"value": 2000, "unit": "rpm"}}}, "meaning": "correction"}
    assert client.patch("/api/v1/installations/1", json=watched).status_code == 200
    client.post("/api/v1/installations/1/runs", json=RUN | {"static_rpm": {"value": 2500, "unit": "rpm"}})
    changed("standings", "exceeded", None)
    assert client.get("/api/v1/installations/1/suggestion").json()["action"]["kind"] == "inspect"
    (engine,) = (each for each in client.get("/api/v1/overview").json()["engines"] if each["id"] == 1)
    assert engine["severity"] == "stop"


def test_edited_limits_are_told_alike(client: Client, changed: Any, needles: list[dict[str, Any]]) -> None:
    """What breaks a rule of the set-up was not stored by the service."""
    changed("installations", "document", json.dumps({"needles": needles[:1], "limits": {"largest_turns": 5.0}}))
    for path in ("/suggestion", "/history", "/table"):
        problem(client.get(f"/api/v1/installations/1{path}"), 503)
    _lists_stay(client)


def test_no_backup_is_made_of_damaged_rows(client: Client, changed: Any) -> None:
    """It would hold less than the database."""
    changed("entries", "happened_at", "garbage")
    with _database(client).reading() as session, pytest.raises(InvalidValueError, match="changed in the database"):
        digests(session.connection())
