"""A set-up that is edited: each change an entry, a correction of all that was learned or a new part."""

import re
from typing import Any

import pytest

from taperwise.api.log import service
from taperwise.shared.records import ChangePart, Part, TurnScrew
from taperwise.shared.runs import Run
from tests.api.asking import Client
from tests.api.web.reading import FORM, RUN, fields, words


def _log(client: Client, home: str) -> service.Log:
    with client.app.state.database.reading() as session:  # type: ignore[attr-defined]
        return service.load(session, int(home.rpartition("/")[2]))


def _patch(client: Client, home: str, meaning: str, **set_up: Any) -> Any:
    answer = client.patch(f"/api/v1{home}", json={"meaning": meaning, "set_up": set_up})
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_before_the_first_entry_it_is_just_changed(client: Client, home: str) -> None:
    """Nothing was learned from it: no entry is made, and it can be deleted."""
    _patch(client, home, "correction", name="renamed")
    assert client.get(f"/api/v1{home}/history").json()["entries"] == []
    assert "renamed" in words(client.get(home).text)
    assert "Delete this engine" in words(client.get(f"{home}/set-up").text)
    client.post(f"{home}/delete", data={"client_id": "delete-it-1"})
    assert client.get(home).status_code == 404


def test_with_an_entry_it_is_kept(client: Client, home: str) -> None:
    """An engine with entries is not deleted by hand."""
    client.post(f"{home}/run", data=RUN)
    assert client.post(f"{home}/delete", data={"x": "1"}).status_code == 409
    assert client.delete(f"/api/v1{home}").status_code == 409
    assert client.get(home).status_code == 200


def test_a_correction_is_learned_from_the_beginning(client: Client, home: str) -> None:
    """A slope that was mistyped: the log holds no new part, the model gets the right slope, the history says so."""
    client.post(f"{home}/run", data=RUN)
    before = _log(client, home)
    slope = {"value": 29.8, "unit": "mm/m"}
    made = _patch(client, home, "correction", needles=[{"label": "B", "taper_slope": slope}])
    assert made["entry"]["set_up"]["changes"] == {
        "needles.B.taper_slope": [{"value": 30.0, "unit": "mm/m"}, {"value": 29.8, "unit": "mm/m"}]
    }
    after = _log(client, home)
    assert after.installation.needle("B").taper_slope == pytest.approx(0.0298)
    assert after.entries == before.entries
    assert after.state > before.state
    told = words(client.get(f"{home}/history").text)
    assert "It was always so: Taper slope of needle B: 30 mm/m → 29.8 mm/m" in told
    again = _patch(client, home, "correction", needles=[{"label": "B", "taper_slope": slope}])
    assert again["entry"] is None


def test_another_throttle_body_starts_a_new_part(client: Client, home: str) -> None:
    """Since today: the runs before it keep apart from those after it, as after a changed part."""
    client.post(f"{home}/run", data=RUN)
    made = _patch(client, home, "change", throttle_body={"bore": {"value": 36, "unit": "mm"}})
    assert made["entry"]["set_up"]["new_part"]
    log = _log(client, home)
    assert [type(e) for e in log.entries] == [Run, ChangePart]
    assert log.entries[1] == ChangePart(Part.INTAKE)
    limits = _patch(client, home, "change", watch={"cht": {"value": 420, "unit": "degF"}})
    assert not limits["entry"]["set_up"]["new_part"]
    assert len(_log(client, home).entries) == 2


def test_a_moved_field_leaves_earlier_runs_where_they_were(client: Client, home: str) -> None:
    """An altimeter setting means the pressure at the field of its day, in the answer, the history and the table."""
    client.post(f"{home}/run", data=RUN)
    first = _log(client, home).entries[0]
    _patch(client, home, "change", elevation={"value": 4000, "unit": "ft"})
    client.post(f"{home}/run", data=RUN)
    log = _log(client, home)
    assert log.entries[0] == first
    assert isinstance(log.entries[1], Run)
    assert isinstance(first, Run)
    assert log.entries[1].air.pressure_pascal < first.air.pressure_pascal - 10_000
    told = [e["air"]["pressure"]["value"] for e in client.get(f"/api/v1{home}/history").json()["entries"] if e["air"]]
    assert told[0] - told[1] > 3
    rows = client.get(f"{home}/table.csv").text.splitlines()
    assert [row.split(",")[8] for row in rows[1:4] if row.split(",")[1] == "run"] == [str(x) for x in told]
    _patch(client, home, "correction", elevation={"value": 4100, "unit": "ft"})
    assert _log(client, home).entries[0] == first


def test_a_corrected_direction_turns_recorded_turns_round(client: Client, home: str) -> None:
    """Hands turned the key as drawn: what was recorded as leaner was richer."""
    client.post(f"{home}/adjust", data={"kind": "turn_screw", "turns": "-0.25"})
    client.post(f"{home}/adjust", data={"kind": "turn_idle_stop", "turns": "0.25"})
    _patch(client, home, "correction", throttle_body={"lean_direction": "counter_clockwise"})
    log = _log(client, home)
    assert log.entries[0] == TurnScrew(0.25)
    assert log.position().idle_stop_turns == 0.25
    assert "the direction in the set-up was corrected" in words(client.get(f"{home}/history").text).lower()


def test_needles_are_added_and_retired(client: Client, home: str) -> None:
    """A needle bought later can be installed; one that is retired is offered no more, and the installed one stays."""
    client.post(f"{home}/run", data=RUN)
    form = fields(client.get(f"{home}/set-up").text)
    assert form["needles.0.label"] == "A"
    for name in [n for n in form if n.endswith(".retired")]:
        del form[name]
    more = {"needles.2.label": "C", "needles.2.taper_slope.value": "31", "needles.0.retired": "1", "meaning": "change"}
    answer = client.post(f"{home}/set-up", data=form | more, follow_redirects=False)
    assert answer.status_code == 303, words(answer.text)
    told = words(client.get(f"{home}/history").text)
    assert "needle A retired" in told
    assert "needle C added" in told
    adjust = client.get(f"{home}/adjust").text
    assert '<option value="C"' in adjust
    assert '<option value="A"' not in adjust
    installed = client.post(f"{home}/adjust", data={"kind": "change_needle", "needle": "C"}, follow_redirects=False)
    assert installed.status_code == 303
    again = fields(client.get(f"{home}/set-up").text) | {"needles.2.retired": "1", "meaning": "change"}
    del again["needles.1.retired"]
    refused = client.post(f"{home}/set-up", data=again)
    assert refused.status_code == 422
    assert "The installed needle cannot be retired" in words(refused.text)


def test_it_is_asked_since_when(client: Client, home: str) -> None:
    """The form comes filled; without a word on since when it is refused at its place, and what was typed stays."""
    client.post(f"{home}/run", data=RUN)
    form = fields(client.get(f"{home}/set-up").text)
    form = {n: v for n, v in form.items() if not n.endswith(".retired") and n != "meaning"}
    refused = client.post(f"{home}/set-up", data=form | {"throttle_body.bore.value": "36"})
    assert refused.status_code == 422
    assert re.findall(r'<a href="#([^"]+)-wrong"', refused.text) == ["meaning"]
    assert fields(refused.text)["throttle_body.bore.value"] == "36"
    wrong = client.post(f"{home}/set-up", data=form | {"needles.1.taper_slope.value": "900", "meaning": "correction"})
    assert 'id="needles.1.taper_slope-wrong"' in wrong.text
    unchanged = client.post(f"{home}/set-up", data=form | {"meaning": "change"}, follow_redirects=False)
    assert unchanged.status_code == 303
    assert len(client.get(f"/api/v1{home}/history").json()["entries"]) == 1


@pytest.mark.parametrize(
    ("set_up", "said"),
    [
        ({"needles": [{"label": "B", "taper_slope": {"value": 29, "unit": "mm/m"}}]}, "A needle keeps its taper slope"),
        ({"fuel": "mogas"}, "Another fuel is an adjustment"),
        ({"fitted_needle": "A"}, "Another needle is an adjustment"),
        ({"throttle_body": {"bor": {"value": 36, "unit": "mm"}}}, "There is no such field"),
        ({"watch": {"cht": {"value": 9000, "unit": "degF"}}}, "cylinder head temperature"),
    ],
)
def test_what_is_no_change_of_a_set_up_is_refused(client: Client, home: str, set_up: Any, said: str) -> None:
    """With what to do instead; nothing is stored."""
    client.post(f"{home}/run", data=RUN)
    answer = client.patch(f"/api/v1{home}", json={"meaning": "change", "set_up": set_up})
    assert answer.status_code == 422
    assert said in answer.text
    assert len(client.get(f"/api/v1{home}/history").json()["entries"]) == 1
    assert client.get(f"/api/v1{home}").json()["installation"]["fuel"] == FORM.get("fuel", "avgas")


def test_limits_that_are_not_set_are_shown_so(client: Client, home: str) -> None:
    """Until one is given; null takes it away again."""
    assert words(client.get(f"{home}/set-up").text).count("Not set: nothing is watched.") == 3
    _patch(client, home, "correction", watch={"rpm": {"value": 3300, "unit": "rpm"}})
    assert words(client.get(f"{home}/set-up").text).count("Not set: nothing is watched.") == 2
    made = _patch(client, home, "correction", watch={"rpm": None})
    assert made["installation"]["installation"]["watch"]["rpm"] is None


def test_an_edited_set_up_goes_along_in_a_file(client: Client, home: str) -> None:
    """Exported and imported, the log holds the same records."""
    client.post(f"{home}/run", data=RUN)
    _patch(
        client,
        home,
        "change",
        elevation={"value": 4000, "unit": "ft"},
        throttle_body={"bore": {"value": 36, "unit": "mm"}},
    )
    client.post(f"{home}/run", data=RUN)
    packed = client.get(f"{home}/export.json").content
    there = client.post("/installations/import", files={"file": ("a.json", packed, "application/json")})
    copy = "/" + str(there.url).split("/", 3)[3]
    assert _log(client, copy).entries == _log(client, home).entries
    assert "Set-up" in words(client.get(f"{copy}/history").text)


def test_a_direction_that_was_missing_leaves_turns_alone(client: Client) -> None:
    """Turns were recorded by their effect: to say later which way leans changes none of them."""
    form = {name: text for name, text in FORM.items() if name != "throttle_body.lean_direction"}
    home = client.post("/installations/new", data=form, follow_redirects=False).headers["Location"]
    client.post(f"{home}/adjust", data={"kind": "turn_screw", "turns": "-0.25"})
    _patch(client, home, "correction", throttle_body={"lean_direction": "counter_clockwise"})
    assert _log(client, home).entries[0] == TurnScrew(-0.25)


def test_the_coldest_air_is_asked_once(client: Client, home: str) -> None:
    """One plain question in both forms; what is typed there is what the service holds, and can be taken back."""
    question = "Coldest air temperature this aeroplane will meet"
    assert words(client.get("/installations/new").text).count(question) == 1
    client.post(f"{home}/run", data=RUN)
    form = fields(client.get(f"{home}/set-up").text)
    form = {n: v for n, v in form.items() if not n.endswith(".retired") and n != "client_id"} | {
        "meaning": "correction"
    }
    for typed, held in (("-4", -4.0), ("", None)):
        sent = form | {"coldest_temperature.value": typed, "coldest_temperature.unit": "degF"}
        assert client.post(f"{home}/set-up", data=sent, follow_redirects=False).status_code == 303
        stored = client.get(f"/api/v1{home}").json()["installation"]["coldest_temperature"]
        assert (stored and stored["value"]) == held
    told = words(client.get(f"{home}/history").text)
    assert f"{question}: not set \u2192 -4 °F" in told
    cold = FORM | {"coldest_temperature.value": "-20", "coldest_temperature.unit": "degC"}
    made = client.post("/installations/new", data=cold, follow_redirects=False).headers["Location"]
    assert fields(client.get(f"{made}/set-up").text)["coldest_temperature.value"] == "-20"


def test_needles_by_order_stay_by_order(client: Client) -> None:
    """Without a slope in any row, the edit form keeps the order and the step, and a new needle comes last."""
    form = {n: v for n, v in FORM.items() if not n.endswith(".taper_slope.value")} | {"needles_by": "order"}
    home = client.post("/installations/new", data=form, follow_redirects=False).headers["Location"]
    client.post(f"{home}/run", data=RUN)
    edit = {n: v for n, v in fields(client.get(f"{home}/set-up").text).items() if not n.endswith(".retired")}
    edit |= {"meaning": "change", "needles.2.label": "C", "needle_step.value": "3", "needle_step.unit": "percent"}
    answer = client.post(f"{home}/set-up", data=edit, follow_redirects=False)
    assert answer.status_code == 303, words(answer.text)
    log = _log(client, home)
    assert [n.label for n in log.installation.shallow_to_steep][-1] == "C"
    assert log.installation.by_order
    assert log.installation.needle_step == pytest.approx(0.03)
