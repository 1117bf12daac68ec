"""What is refused, and how it is said."""

import difflib
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.api.asking import AIR, RUN, Client, problem


@pytest.mark.parametrize(
    ("body", "field", "cure"),
    [
        ({**AIR, "egt_rise": {"seen": "peak", "rise": {"value": 95, "unit": "degF"}}}, "egt_rise.rise", "delta_degF"),
        ({**RUN, "air_temperature": {"value": 900, "unit": "degF"}}, "air_temperature", "Check the number"),
        ({**RUN, "air_temperature": {"value": "68", "unit": "degF"}}, "air_temperature.value", "without quotes"),
        ({**RUN, "air_temperature": {"value": True, "unit": "degF"}}, "air_temperature.value", "without quotes"),
        ({**RUN, "altimeter_setting": {"value": 29.9, "unit": "inHg"}}, "pressure", "Give one"),
        (AIR, "run", "at least one"),
        ({**RUN, "egt_risse": 1}, "egt_risse", "Did you mean egt_rise?"),
        ({**RUN, "time": "2199-01-01T00:00:00Z"}, "time", "Check the date"),
        ({**RUN, "idle_quality": "splendid"}, "idle_quality", "slightly_lean"),
        ({**RUN, "idle_quality": 9}, "idle_quality", "1 to 5"),
        ({**RUN, "idle_quality": True}, "idle_quality", "1 to 5"),
        ({**RUN, "egt_rise": {"seen": "hmm"}}, "egt_rise.seen", "values named"),
        ({**RUN, "egt_rise": {}}, "egt_rise.seen", "Add seen"),
        ({**RUN, "egt_rise": 5}, "egt_rise", "curly brackets"),
        ({**RUN, "egt_rise": {"seen": "peak", "rize": 1}}, "egt_rise.rize", "Did you mean rise?"),
        ({**RUN, "air_temperature": {"vallue": 1, "unit": "degF"}}, "air_temperature.vallue", "Did you mean value?"),
        ({**RUN, "idle_rpm": {"value": 0, "unit": "rpm"}}, "idle_rpm", "If the engine stopped"),
        ({**RUN, "static_rpm": {"value": 199, "unit": "rpm"}}, "static_rpm", "If the engine stopped"),
        ({**RUN, "peak": 1}, "peak", "Remove the field"),
        ({**RUN, "query": 1}, "query", "Remove the field"),
        ([], "body", "curly brackets"),
        ({"egt_rise": {"seen": "fell_at_once"}}, "air_temperature", "Fill in the field"),
    ],
)
def test_a_bad_run_is_refused(client: Client, place: str, body: Any, field: str, cure: str) -> None:
    """A bad run names the field and the cure, and nothing is stored."""
    document = problem(client.post(f"{place}/runs", json=body), 422)
    assert any(e["field"] == field and cure in e["cure"] for e in document["errors"]), document
    assert client.get(f"{place}/history").json()["entries"] == []


@pytest.mark.parametrize(
    "time",
    [
        "0001-01-01T00:00:00+14:00", "9999-12-31T23:59:59-14:00", "1999-12-31T23:59:59Z", "2199-01-01T00:00:00Z",
        "12", "1700000000", "2026-05-01", "", 12, True, "2026-13-01T00:00Z",
    ],
)  # fmt: skip
def test_a_time_that_is_none_is_refused(client: Client, place: str, time: Any) -> None:
    """A time is ISO 8601 text of this age, at the most minutes ahead; the ends of the calendar break nothing."""
    document = problem(client.post(f"{place}/runs", json={**RUN, "time": time}), 422)
    assert [e["field"] for e in document["errors"]] == ["time"]
    assert document["errors"][0]["cure"]
    assert client.get(f"{place}/history").json()["entries"] == []


def test_station_pressure_has_to_be_plausible(client: Client, place: str) -> None:
    """A setting and an elevation that are each plausible may together be no weather."""
    run = {
        "air_temperature": {"value": 15, "unit": "degC"},
        "altimeter_setting": {"value": 460, "unit": "hPa"},
        "elevation": {"value": 6000, "unit": "m"},
        "egt_rise": {"seen": "fell_at_once"},
    }
    assert problem(client.post(f"{place}/runs", json=run), 422)["errors"][0]["field"] == "altimeter_setting"


def test_an_altimeter_setting_needs_an_elevation(client: Client, place: str) -> None:
    """Where neither the run nor the installation gives one, it is asked for."""
    run = {
        "air_temperature": {"value": 8.5, "unit": "degC"},
        "altimeter_setting": {"value": 1013.25, "unit": "hPa"},
        "egt_rise": {"seen": "fell_at_once"},
    }
    assert problem(client.post(f"{place}/runs", json=run), 422)["errors"][0]["field"] == "elevation"


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"fitted_needle": None}, "fitted_needle"),
        ({"fitted_needle": "taper 99"}, "fitted_needle"),
        ({"limits": {"largest_turns": 0.5}}, "limits.largest_turns"),
        ({"throttle_body": {"orifice_diameter": {"value": 2, "unit": "mm"}}}, "throttle_body.orifice_diameter"),
        ({"needles": []}, "needles"),
        ({"needles": [{"label": " ", "taper_slope": {"value": 30, "unit": "mm/m"}}]}, "needles.0.label"),
        ({"needles": [{"label": "a\x1b[2J", "taper_slope": {"value": 30, "unit": "mm/m"}}]}, "needles.0.label"),
        ({"needles": [{"label": "a", "taper_slop": {"value": 30, "unit": "mm/m"}}]}, "needles.0.taper_slop"),
        ({"units": {"pressure": "bar"}}, "units.pressure"),
        ({"engine": {"cylinders": 4.5}}, "engine.cylinders"),
    ],
)
def test_a_bad_installation_is_refused(client: Client, needles: list[dict[str, Any]], change: Any, field: str) -> None:
    """An installation that cannot be names the field, and is not stored."""
    body = {"needles": needles, "fitted_needle": "taper 30.0", **change}
    body = {name: value for name, value in body.items() if value is not None}
    document = problem(client.post("/api/v1/installations", json=body), 422)
    assert any(e["field"] == field for e in document["errors"]), document
    assert client.get("/api/v1/installations").json()["total"] == 0


@pytest.mark.parametrize(
    ("raw", "status", "words"),
    [
        (b'{"air_temperature": {"value": NaN, "unit": "degF"}}', 422, "air_temperature.value"),
        (b'{"air_temperature": {"value": 1e400, "unit": "degF"}}', 422, "air_temperature.value"),
        (b'{"air_temperature": {"value": -Infinity, "unit": "degF"}}', 422, "air_temperature.value"),
        (b'{"note": "\\ud800"}', 422, "cannot be stored"),
        (b'{"note": "a\\u0000b"}', 422, "cannot be stored"),
        (b'{"note": "a", "note": "b"}', 400, "twice"),
        (b"[" * 200_000, 400, "not valid JSON"),
        (b'{"a":' * 60 + b"1" + b"}" * 60, 400, "nested"),
        ('{"note": "é"}'.encode("utf-16"), 400, "not valid JSON"),
        (b"\xff\xfe", 400, "not valid JSON"),
        (b"", 400, "not valid JSON"),
        (b"12345678901234567890123456789012", 422, "finite"),
        (b"[]", 422, ""),
        (b"x" * 300_000, 413, "larger than"),
    ],
)
def test_raw_bodies(client: Client, place: str, raw: bytes, status: int, words: str) -> None:
    """Whatever is sent, the answer is a problem in words, never a failure."""
    answer = client.post(f"{place}/runs", content=raw, headers={"content-type": "application/json"})
    document = problem(answer, status)
    assert words in document["detail"]
    assert document["errors"][0]["field"]
    assert document["errors"][0]["cure"]
    assert len(answer.content) < 2000
    assert client.get(f"{place}/history").json()["entries"] == []


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "", None])
def test_other_content_types_are_refused(client: Client, place: str, kind: str | None) -> None:
    """Only what calls itself JSON is read."""
    headers = {} if kind is None else {"content-type": kind}
    answer = client.post(f"{place}/adjustments", content=b'{"kind": "turn_screw", "turns": 0.125}', headers=headers)
    document = problem(answer, 415)
    assert (kind or "nothing") in document["detail"]
    assert document["errors"][0]["field"] == "content-type"
    assert client.get(f"{place}/history").json()["entries"] == []


@pytest.mark.parametrize("number", ["99", "0", "-1", "9" * 30, "one"])
@pytest.mark.parametrize("what", ["", "/suggestion", "/confidence", "/whatif", "/history"])
def test_unknown_installations(client: Client, number: str, what: str) -> None:
    """A number under which nothing is stored, or that is none, is said so."""
    problem(client.get(f"/api/v1/installations/{number}{what}"), 404 if number == "99" else 422)


def test_a_run_before_its_installation(client: Client) -> None:
    """A run for an installation that was never set up is not stored."""
    assert "Check the number" in problem(client.post("/api/v1/installations/5/runs", json=RUN), 404)["detail"]


def test_no_travel_in_time(client: Client, place: str) -> None:
    """An entry may not be older than the one before it; the same moment will do, in any offset."""
    now = datetime.now(UTC).replace(microsecond=0)
    assert client.post(f"{place}/runs", json={**RUN, "time": now.isoformat()}).status_code == 201
    before = (now - timedelta(minutes=1)).isoformat()
    assert "order" in problem(client.post(f"{place}/runs", json={**RUN, "time": before}), 422)["title"]
    same = now.astimezone(tz=None).isoformat()
    assert client.post(f"{place}/runs", json={**RUN, "time": same}).status_code == 201


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"kind": "turn_screw", "turns": 5}, "turns"),
        ({"kind": "change_needle", "needle": "taper 99"}, "needle"),
        ({"kind": "paint"}, "kind"),
        ({"turns": 0.125}, "kind"),
        ({"kind": "turn_screw"}, "turns"),
        ({"kind": "turn_screw", "turns": 0.125, "needle": "a"}, "needle"),
        ({"kind": "change_part", "part": "seat"}, "part"),
    ],
)
def test_bad_adjustments_are_refused(client: Client, place: str, body: Any, field: str) -> None:
    """An adjustment that is not plausible is refused and not stored."""
    document = problem(client.post(f"{place}/adjustments", json=body), 422)
    assert document["errors"][0]["field"] == field
    assert client.get(f"{place}/history").json()["entries"] == []


@pytest.mark.parametrize("query", ["turns=0.5", "turns=0.1", "turns=nan", "turns=inf", "turns=x", "needle=none"])
def test_what_if_within_limits(client: Client, place: str, query: str) -> None:
    """A question beyond the limits is refused, with the reason."""
    problem(client.get(f"{place}/whatif?{query}"), 422)


def test_unknown_addresses_are_problems(client: Client) -> None:
    """What is not there is a problem document too."""
    problem(client.get("/nowhere"), 404)
    problem(client.delete("/healthz"), 405)


@pytest.mark.parametrize(("seal", "cure"), [("me", "Give all 64 characters"), (5, "in quotes")])
def test_a_text_of_one_form_is_told_its_form(client: Client, place: str, seal: Any, cure: str) -> None:
    """A seal is no free text: the cure says how it looks, and nothing is imported."""
    parcel = client.get(f"{place}/export").json() | {"seal": seal}
    document = problem(client.post("/api/v1/installations/import", json=parcel), 422)
    (error,) = document["errors"]
    assert error["field"] == "seal"
    assert cure in error["cure"]


@pytest.mark.parametrize(
    "label", ["A\u200b", "\u00adA", "A\u200f", "\u202eA", "A\u2028A", "\u3164", "\u0301", "\u2800"]
)
def test_a_name_that_nobody_can_see_is_refused(client: Client, label: str) -> None:
    """Needles are told apart by eye; the answer shows the characters by their numbers."""
    needle = {"label": label, "taper_slope": {"value": 30, "unit": "mm/m"}}
    (error,) = problem(client.post("/api/v1/installations", json={"needles": [needle]}), 422)["errors"]
    assert error["field"] == "needles.0.label"
    assert "\\" in error["value"]
    sent = {"needles": [needle | {"label": "A"}], "name": label}
    assert problem(client.post("/api/v1/installations", json=sent), 422)["errors"][0]["field"] == "name"


@pytest.mark.parametrize(("one", "other"), [("A", "Ａ"), ("1/2", "1／2"), ("é", "e\u0301")])
def test_labels_that_look_the_same_are_refused(client: Client, one: str, other: str) -> None:
    """They are equal in Unicode's compatibility form (NFKC)."""
    needles = [{"label": label, "taper_slope": {"value": 30, "unit": "mm/m"}} for label in (one, other)]
    sent = {"needles": needles, "fitted_needle": one}
    assert problem(client.post("/api/v1/installations", json=sent), 422)["errors"][0]["field"] == "needles"


def test_an_endless_name_is_not_compared(client: Client, place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A field whose name is most of a large body gets no "did you mean", and a short name in the answer."""
    compared: list[str] = []
    monkeypatch.setattr(difflib, "get_close_matches", lambda name, *_, **__: compared.append(name) or [])
    errors = problem(client.post(f"{place}/runs", json={**RUN, "x" * 200_000: 1, "egt_risse": 1}), 422)["errors"]
    assert compared == ["egt_risse"]
    long = next(e for e in errors if e["field"].startswith("xx"))
    assert (len(long["field"]), long["cure"][:16]) == (80, "Remove the field")
