"""The overview: the most serious first, wherever it stands; and notes."""

import csv
import io
import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from taperwise.api.accounts.principal import LOCAL
from taperwise.api.core.database import Database, Entry, Installation
from taperwise.api.installations.standing import standing_of
from taperwise.api.recommendations.status_query import EngineStatus, overview
from tests.api.asking import Client, problem
from tests.api.web.reading import FORM, RUN, fields, words


def _database(client: Client) -> Database:
    found: Database = client.app.state.database  # type: ignore[attr-defined]
    return found


def _all(client: Client, now: datetime | None = None, **asked: Any) -> list[EngineStatus]:
    with _database(client).reading() as session:
        return overview(session, LOCAL, client.app.state.settings.seed, now or datetime.now(UTC), **asked)  # type: ignore[attr-defined]


def _engines(client: Client, count: int, **more: str) -> None:
    for number in range(1, count + 1):
        client.post("/installations/new", data=FORM | {"name": f"engine {number}"} | more, follow_redirects=False)


def _stands(client: Client, number: int, **columns: Any) -> None:
    """Set figures of the latest answer, as another log would have led to."""
    with _database(client).unit() as session:
        row = standing_of(session, number)
        for name, value in columns.items():
            setattr(row, name, value)


def test_each_thing_that_needs_attention_has_its_severity(client: Client, home: str) -> None:
    """A run with an answer is fine; each figure of the answer that is not raises one flag."""
    client.post(f"{home}/run", data=RUN)
    client.get(f"/api/v1{home}/suggestion")
    fine = {
        "exceeded": None, "lean_chance": 0.1, "cause": None, "doubt": 0.0, "converged": True, "findings": 0, "state": 1,
    }  # fmt: skip
    cases: list[tuple[dict[str, Any], str, str | None]] = [
        ({}, "fine", None),
        ({"exceeded": [{"quantity": "speed", "reached": 2900.0, "limit": 2800.0}]}, "stop", "limit_exceeded"),
        ({"lean_chance": 0.93}, "lean", "lean_of_peak"),
        ({"cause": "not_as_foretold"}, "fault", "not_as_foretold"),
        ({"cause": "static_speed_out"}, "fault", "static_speed_out"),
        ({"cause": "rise_stuck"}, "fault", "rise_stuck"),
        ({"doubt": 0.3}, "fault", "doubtful"),
        ({"converged": False}, "fault", "contradicting"),
        ({"findings": 1}, "fault", "logger_findings"),
        ({"cause": "no_needle_fits"}, "stuck", "no_needle_fits"),
        ({"cause": "not_to_be_settled"}, "stuck", "not_to_be_settled"),
        ({"cause": "too_far_to_go"}, "stuck", "too_far_to_go"),
        ({"state": 7}, "waiting", "no_answer"),
    ]
    for columns, severity, flag in cases:
        _stands(client, 1, **fine | columns)
        engine = _all(client)[0]
        assert engine.severity == severity, columns
        assert [each.value for each in engine.flags] == ([] if flag is None else [flag]), columns


def test_an_engine_without_an_entry_waits_and_one_left_alone_is_stale(client: Client, home: str) -> None:
    """Seven days without an entry are no alarm, eight are; a tuned engine may rest as long as its owner likes."""
    assert [each.value for each in _all(client)[0].flags] == ["no_entry"]
    client.post(f"{home}/run", data=RUN)
    client.get(f"/api/v1{home}/suggestion")
    now = datetime.now(UTC)
    assert _all(client, now + timedelta(days=6))[0].severity == "fine"
    later = _all(client, now + timedelta(days=8))[0]
    assert (later.severity, later.idle_days) == ("stale", 8)
    _stands(client, 1, stage="tuned")
    assert _all(client, now + timedelta(days=80))[0].severity == "fine"


def test_danger_is_on_page_one_however_the_list_is_sorted(client: Client) -> None:
    """With 113 engines, a limit exceeded and a 93 % chance of lean of peak stand first on both lists."""
    with _database(client).unit() as session:
        for number in range(1, 114):
            session.add(Installation(id=number, created_at=datetime.now(UTC), document={"name": f"e {number}"}))
    limits = [{"quantity": "speed", "reached": 2900.0, "limit": 2800.0}]
    _stands(client, 2, exceeded=limits)
    _stands(client, 9, lean_chance=0.93)
    with _database(client).unit() as session:
        now, document = datetime.now(UTC), {"air_temperature": {"value": 20, "unit": "degC"}}
        session.add(
            Entry(installation_id=9, sequence=1, kind="run", happened_at=now, recorded_at=now, document=document)
        )
    for sort in ("severity", "name", "-name", "owner", "chance", "-last_run", "idle", "number", "-finish", "-stage"):
        assert [each.number for each in _all(client, sort=sort)[:2]] == [2, 9], sort
    page = client.get("/desk?sort=-name&rows=50").text
    assert re.findall(r'<a href="/installations/(\d+)">', page)[:2] == ["2", "9"]
    assert re.findall(r'<th scope="row"[^>]*><a href="/installations/(\d+)"', page)[:2] == ["2", "9"]
    for hidden in ("/desk?severity=fine", "/desk?name=e+50", "/desk?leaf=3&rows=50"):
        told = words(client.get(hidden).text)
        assert "2 engines in danger" in told
        assert "e 2 : engine limit exceeded" in told
    assert re.findall(r'<li><a href="/installations/(\d+)"', client.get("/installations").text)[:2] == ["2", "9"]


def test_the_overview_shows_all_in_one_table(client: Client) -> None:
    """With owner, stage, chances, last run, days idle, and the runs to finish; the same as a file and in one call."""
    assert "No engine is set up yet" in client.get("/desk").text
    _engines(client, 2)
    client.post("/installations/2/run", data=RUN)
    client.get("/api/v1/installations/2/suggestion")
    told = words(client.get("/desk").text)
    assert "2 engines. Waiting: 1, Fine: 1." in told
    assert re.search(r"Waiting No entry yet engine 1 – – – – No run yet – – Not seen yet", told)
    assert re.search(r"Fine engine 2 – Full throttle 30 % 2 % \d{4}-\d\d-\d\d 0 – Not seen yet", told)
    rows = list(csv.reader(io.StringIO(client.get("/desk.csv").text)))
    assert [row[:6] for row in rows[1:3]] == [
        ["1", "engine 1", "", "waiting", "No entry yet", ""], ["2", "engine 2", "", "fine", "", "full throttle"],
    ]  # fmt: skip
    assert rows[-1] == ["rows", "2"]
    found = client.get("/api/v1/overview").json()
    assert found["counts"] | {"waiting": 1, "fine": 1} == found["counts"]
    first, second = found["engines"]
    assert (first["id"], first["flags"]) == (1, [{"code": "no_entry", "words": "No entry yet"}])
    assert (second["id"], second["stage"], second["chance_both"], second["lean_chance"]) == (
        2, "full_throttle", 0.3, 0.02,
    )  # fmt: skip
    assert second["current"]
    half = client.get("/api/v1/overview?limit=1").json()
    assert [each["id"] for each in half["engines"]] == [1]
    rest = client.get(f"/api/v1/overview?limit=1&cursor={half['next']}").json()
    assert ([each["id"] for each in rest["engines"]], rest["next"]) == ([2], None)
    assert [each["id"] for each in client.get("/api/v1/overview?severity=fine").json()["engines"]] == [2]
    problem(client.get("/api/v1/overview?sort=colour"), 422)


def test_a_name_is_no_formula_in_the_file(client: Client) -> None:
    """A spreadsheet would run what begins like one."""
    client.post("/installations/new", data=FORM | {"name": "=1+1"}, follow_redirects=False)
    assert ",'=1+1," in client.get("/desk.csv").text.replace("1,'", ",'")


def test_what_changed_since_one_last_looked(client: Client, home: str) -> None:
    """New entries are counted until the list is marked as seen; what comes after the page was made stays new."""
    client.post(f"{home}/run", data=RUN)
    assert "Not seen yet" in words(client.get("/desk").text)
    at = fields(client.get("/desk").text)["at"]
    client.post(f"{home}/run", data=RUN)
    client.post("/desk/seen", data={"at": at})
    assert "1 entry" in words(client.get("/desk").text)
    client.post("/desk/seen", data={"at": datetime.now(UTC).isoformat()})
    assert not _all(client)[0].changed
    assert "No engine matches" in words(client.get("/desk?changed=1").text)
    client.post(f"{home}/run", data=RUN)
    assert words(client.get("/desk?changed=1").text).count("1 entry") == 1


def test_two_to_four_engines_side_by_side(client: Client) -> None:
    """Settings, readings and beliefs, each engine in its own column; one alone or five are refused."""
    _engines(client, 5)
    client.post("/installations/2/run", data=RUN)
    client.post("/installations/2/adjust", data={"kind": "turn_screw", "turns": "-0.125"})
    client.get("/api/v1/installations/2/suggestion")
    told = words(client.get("/desk/compare?engine=1&engine=2").text)
    assert "engine 1 engine 2" in told
    assert "Holder position at the mark 1/8 turn leaner than the mark" in told
    assert "EGT rise – 160 °F" in told
    assert "Both mixtures in target – 30 %" in told
    _stands(client, 2, exceeded=[{"quantity": "speed", "reached": 2900.0, "limit": 2800.0}])
    stopped = words(client.get("/desk/compare?engine=1&engine=2").text)
    assert "Stopped until the cause is recorded" in stopped
    assert "Turns to target" not in stopped
    for wrong in ("engine=1", "engine=1&engine=2&engine=3&engine=4&engine=5"):
        refused = client.get(f"/desk/compare?{wrong}")
        assert refused.status_code == 422
        assert "two to four engines" in refused.text
    assert client.get("/desk/compare?engine=1&engine=99").status_code == 404


@pytest.mark.parametrize("address", ["/desk", "/installations"])
def test_many_are_found_and_leafed_through(client: Client, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """By part of the name, letters large or small, by number; or page by page, each installation on one of them."""
    monkeypatch.setattr("taperwise.api.web.pagination.ON_A_LEAF", 2)
    for name in ("Red 100% wing", "blue wing", "Red tail", "", "Über green"):
        client.post("/installations/new", data=FORM | {"name": name}, follow_redirects=False)
    pages = {"sort": "-number", "rows": "2"} if address == "/desk" else {}

    def text(**asked: str) -> str:
        return str(client.get(address, params=pages | asked).text)

    def shown(**asked: str) -> list[str]:
        pattern = r'<(?:li|th scope="row"[^>]*)><a href="/installations/(\d+)"'
        return sorted(re.findall(pattern, text(**asked)))

    assert shown() == ["4", "5"]
    assert shown(leaf="2") == ["2", "3"]
    assert shown(leaf="3") == ["1"]
    assert len(re.findall(r'href="\?[^"]*leaf=3', text(leaf="2"))) == 1
    assert shown(name="RED") == ["1", "3"]
    assert shown(name="%") == ["1"]  # a sign that a database might take for any text
    assert shown(name="4") == shown(name="Engine 4") == ["4"]
    assert shown(name="über") == shown(name="ÜBER") == ["5"]
    assert shown(name="nobody") == []
    assert "the name or number “&lt;i&gt;”" in text(name="<i>")
    assert client.get(f"{address}?leaf=0").status_code == 422
    assert client.get(f"{address}?name=%00").status_code == 422
    found = client.get("/api/v1/installations?name=wing").json()
    assert [each["id"] for each in found["installations"]] == [2, 1]
    assert found["total"] == 2


def test_a_note_is_written_and_read(client: Client, home: str) -> None:
    """From the page or through the API; it is shown as it was typed, harmless, and counted on the overview."""
    client.post(f"{home}/notes", data={"text": "<b>gasket</b>\nfirst"})
    page = client.get(home).text
    assert "&lt;b&gt;gasket&lt;/b&gt;\nfirst" in page
    client.post(f"/api/v1{home}/notes", json={"text": "again"})
    assert [n["text"] for n in client.get(f"/api/v1{home}/notes").json()["notes"]] == ["again", "<b>gasket</b>\nfirst"]
    assert _all(client)[0].notes == 2
    half = client.get(f"/api/v1{home}/notes?limit=1").json()
    assert [n["text"] for n in half["notes"]] == ["again"]
    rest = client.get(f"/api/v1{home}/notes?limit=1&cursor={half['next']}").json()
    assert ([n["text"] for n in rest["notes"]], rest["next"]) == (["<b>gasket</b>\nfirst"], None)
    assert client.post(f"{home}/notes", data={"text": ""}).status_code == 422
    again = client.post(f"{home}/notes", data={"text": "look there" + "!" * 2000})
    assert again.status_code == 422
    assert "look there!" in again.text
    problem(client.post(f"/api/v1{home}/notes", json={"text": "x", "author": "anybody"}), 422)
    problem(client.post("/api/v1/installations/99/notes", json={"text": "x"}), 404)
    problem(client.get("/api/v1/installations/99/notes"), 404)


def test_a_note_is_changed_and_deleted(client: Client, home: str) -> None:
    """By the page or through the API, where sign-in is off by anybody; the time of the change is kept."""
    client.post(f"{home}/notes", data={"text": "first"})
    shown = client.get(f"{home}/notes/1").text
    assert ">first</textarea>" in shown
    client.post(f"{home}/notes/1", data={"text": "second"})
    note = client.get(f"/api/v1{home}/notes").json()["notes"][0]
    assert note["text"] == "second"
    assert note["edited_at"] is not None
    assert client.put(f"/api/v1{home}/notes/1", json={"text": "third"}).json()["text"] == "third"
    assert client.delete(f"/api/v1{home}/notes/1").status_code == 204
    problem(client.delete(f"/api/v1{home}/notes/1"), 404)
    client.post(f"{home}/notes", data={"text": "fourth"})
    number = client.get(f"/api/v1{home}/notes").json()["notes"][0]["id"]
    client.post(f"{home}/notes/{number}/delete", data={"sure": "1"})
    assert client.get(f"/api/v1{home}/notes").json()["notes"] == []


def test_units_are_changed_through_the_api_too(client: Client, home: str) -> None:
    """The answer comes in the new units; an unknown one is refused."""
    client.get(f"/api/v1{home}/suggestion")
    changed = client.put(f"/api/v1{home}/units", json={"temperature_rise": "kelvin"})
    assert changed.json()["in_preferred_units"]["targets"]["rise"]["low"]["unit"] == "kelvin"
    assert client.get(f"/api/v1{home}/suggestion").json()["expected"]["egt_rise"]["unit"] == "kelvin"
    problem(client.put(f"/api/v1{home}/units", json={"taper": "furlong"}), 422)
    problem(client.put("/api/v1/installations/99/units", json={}), 404)
