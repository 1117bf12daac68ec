"""The contract: what goes in, what comes out, what is refused and how."""

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from sqlalchemy.exc import OperationalError
from starlette.testclient import TestClient

from tests.api.conftest import StandIn

_AIR = {"air_temperature": {"value": 68, "unit": "degF"}, "pressure": {"value": 29.9, "unit": "inHg"}}
_RISE = {"egt_rise": {"seen": "peak", "rise": {"value": 95, "unit": "delta_degF"}}}
_RUN = _AIR | _RISE


def _problem(answer: Any, status: int) -> dict[str, Any]:
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    document: dict[str, Any] = answer.json()
    assert document["status"] == status
    return document


def test_only_needles_have_no_default(client: TestClient, needles: list[dict[str, Any]]) -> None:
    """One needle is enough to set up an installation; everything else has a stated default."""
    answer = client.post("/api/v1/installations", json={"needles": needles[:1]})
    assert answer.status_code == 201
    shown = answer.json()["installation"]
    assert shown["targets"]["rise"]["low"] == {"value": 70.0, "unit": "delta_degF"}
    assert shown["limits"]["largest_turns"] == 0.25
    assert client.get(answer.headers["Location"]).json() == answer.json()


def test_a_run_is_recorded_and_answered(client: TestClient, place: str) -> None:
    """A run comes back with its number, the confidence and the suggestion."""
    answer = client.post(f"{place}/runs", json=_RUN)
    assert answer.status_code == 201
    recorded = answer.json()
    assert recorded["run"]["sequence"] == 1
    assert recorded["run"]["run"]["egt_rise"] == _RISE["egt_rise"] | {"error": None}
    assert recorded["confidence"] == recorded["suggestion"]["confidence"]
    wanted = {"stage", "action", "why", "expect", "expected", "information", "alternatives", "cautions", "confidence"}
    assert wanted | {"provenance", "warnings"} == set(recorded["suggestion"])


def test_an_adjustment_moves_the_position(client: TestClient, place: str) -> None:
    """The server keeps the cumulative screw position; a new needle starts from its mark."""
    for turns in (0.125, 0.25):
        client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": turns})
    answer = client.post(f"{place}/adjustments", json={"kind": "turn_idle_stop", "turns": -0.25})
    assert answer.json()["position"] == {"fitted_needle": "taper 30.0", "turns": 0.375, "idle_stop_turns": -0.25}
    answer = client.post(f"{place}/adjustments", json={"kind": "change_needle", "needle": "taper 30.6"})
    assert answer.json()["position"]["turns"] == 0.0
    assert answer.json()["position"]["fitted_needle"] == "taper 30.6"


def test_a_large_turn_is_recorded_with_a_warning(client: TestClient, place: str) -> None:
    """What was done is recorded as done; beyond the small-step limit it is said why that is too much."""
    answer = client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": 0.5})
    assert answer.status_code == 201
    assert "small-step limit of 0.25" in answer.json()["warnings"][0]
    assert client.get(f"{place}/history").json()["position"]["turns"] == 0.5


@pytest.mark.parametrize(
    ("body", "field", "cure"),
    [
        ({**_AIR, "egt_rise": {"seen": "peak", "rise": {"value": 95, "unit": "degF"}}}, "egt_rise.rise", "delta_degF"),
        ({**_RUN, "air_temperature": {"value": 900, "unit": "degF"}}, "air_temperature", "Check the number"),
        ({**_RUN, "air_temperature": {"value": "68", "unit": "degF"}}, "air_temperature.value", "without quotes"),
        ({**_RUN, "air_temperature": {"value": True, "unit": "degF"}}, "air_temperature.value", "without quotes"),
        ({**_RUN, "altimeter_setting": {"value": 29.9, "unit": "inHg"}}, "pressure", "Give one"),
        (_AIR, "run", "at least one"),
        ({**_RUN, "egt_risse": 1}, "egt_risse", "Did you mean egt_rise?"),
        ({**_RUN, "time": "2199-01-01T00:00:00Z"}, "time", "Check the date"),
        ({**_RUN, "idle_quality": "splendid"}, "idle_quality.", "values named"),
        ({**_RUN, "idle_quality": 9}, "idle_quality", ""),
        ({"egt_rise": {"seen": "fell_at_once"}}, "air_temperature", "Add it"),
    ],
)
def test_a_bad_run_is_refused(client: TestClient, place: str, body: Any, field: str, cure: str) -> None:
    """A bad run names the field and the cure, and nothing is stored."""
    document = _problem(client.post(f"{place}/runs", json=body), 422)
    assert any(e["field"].startswith(field) and cure in e["cure"] for e in document["errors"]), document
    assert client.get(f"{place}/history").json()["entries"] == []


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"fitted_needle": None}, "fitted_needle"),
        ({"fitted_needle": "taper 99"}, "fitted_needle"),
        ({"limits": {"largest_turns": 0.5}}, "limits.largest_turns"),
        ({"throttle_body": {"orifice_diameter": {"value": 2, "unit": "mm"}}}, "throttle_body.orifice_diameter"),
        ({"needles": []}, "needles"),
    ],
)
def test_a_bad_installation_is_refused(
    client: TestClient, needles: list[dict[str, Any]], change: Any, field: str
) -> None:
    """An installation that cannot be names the field, and is not stored."""
    body = {"needles": needles, "fitted_needle": "taper 30.0", **change}
    body = {name: value for name, value in body.items() if value is not None}
    document = _problem(client.post("/api/v1/installations", json=body), 422)
    assert any(e["field"] == field for e in document["errors"]), document
    assert client.get("/api/v1/installations").json()["total"] == 0


@pytest.mark.parametrize(
    ("raw", "status", "words"),
    [
        (b'{"air_temperature": {"value": NaN, "unit": "degF"}}', 422, "air_temperature.value"),
        (b'{"air_temperature": {"value": 1e400, "unit": "degF"}}', 422, "air_temperature.value"),
        (b'{"air_temperature": {"value": -Infinity, "unit": "degF"}}', 422, "air_temperature.value"),
        (b'{"note": "\\ud800"}', 422, "not text"),
        (b'{"note": "a\\u0000b"}', 422, "not text"),
        (b'{"note": "a", "note": "b"}', 400, "twice"),
        (b"[" * 200_000, 400, "not JSON"),
        (b'{"a":' * 60 + b"1" + b"}" * 60, 400, "nested"),
        ('{"note": "é"}'.encode("utf-16"), 400, "not JSON"),
        (b"\xff\xfe", 400, "not JSON"),
        (b"", 400, "not JSON"),
        (b"12345678901234567890123456789012", 422, "finite"),
        (b"[]", 422, ""),
        (b"x" * 300_000, 413, "larger than"),
    ],
)
def test_raw_bodies(client: TestClient, place: str, raw: bytes, status: int, words: str) -> None:
    """Whatever is sent, the answer is a problem in words, never a failure."""
    answer = client.post(f"{place}/runs", content=raw, headers={"content-type": "application/json"})
    assert words in _problem(answer, status)["detail"]


def test_other_content_types_are_refused(client: TestClient, place: str) -> None:
    """Only JSON is read."""
    answer = client.post(f"{place}/runs", content=b"a=1", headers={"content-type": "text/plain"})
    assert "text/plain" in _problem(answer, 415)["detail"]


def test_a_body_with_a_byte_order_mark_is_read(client: TestClient, place: str) -> None:
    """Some editors put a mark before UTF-8; it does no harm."""
    raw = b'\xef\xbb\xbf{"kind": "turn_screw", "turns": 0.125}'
    answer = client.post(f"{place}/adjustments", content=raw, headers={"content-type": "application/json"})
    assert answer.status_code == 201


@pytest.mark.parametrize("number", ["99", "0", "-1", "9" * 30, "one"])
@pytest.mark.parametrize("what", ["", "/suggestion", "/confidence", "/whatif", "/history"])
def test_unknown_installations(client: TestClient, number: str, what: str) -> None:
    """A number under which nothing is stored, or that is none, is said so."""
    _problem(client.get(f"/api/v1/installations/{number}{what}"), 404 if number == "99" else 422)


def test_a_run_before_its_installation(client: TestClient) -> None:
    """A run for an installation that was never set up is not stored."""
    assert "Set it up first" in _problem(client.post("/api/v1/installations/5/runs", json=_RUN), 404)["detail"]


def test_no_travel_in_time(client: TestClient, place: str) -> None:
    """An entry may not be older than the one before it; the same moment will do, in any offset."""
    now = datetime.now(UTC).replace(microsecond=0)
    assert client.post(f"{place}/runs", json={**_RUN, "time": now.isoformat()}).status_code == 201
    before = (now - timedelta(minutes=1)).isoformat()
    assert "order" in _problem(client.post(f"{place}/runs", json={**_RUN, "time": before}), 422)["title"]
    same = now.astimezone(tz=None).isoformat()
    assert client.post(f"{place}/runs", json={**_RUN, "time": same}).status_code == 201


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"kind": "turn_screw", "turns": 5}, "turns"),
        ({"kind": "change_needle", "needle": "taper 99"}, "needle"),
        ({"kind": "paint"}, ""),
        ({"turns": 0.125}, ""),
        ({"kind": "change_part", "part": "seat"}, "part"),
    ],
)
def test_bad_adjustments_are_refused(client: TestClient, place: str, body: Any, field: str) -> None:
    """An adjustment that is not plausible is refused and not stored."""
    document = _problem(client.post(f"{place}/adjustments", json=body), 422)
    assert document["errors"][0]["field"] == field
    assert client.get(f"{place}/history").json()["entries"] == []


@pytest.mark.parametrize("query", ["turns=0.5", "turns=0.1", "turns=nan", "turns=inf", "turns=x", "needle=none"])
def test_what_if_within_limits(client: TestClient, place: str, query: str) -> None:
    """A question beyond the limits is refused, with the reason."""
    _problem(client.get(f"{place}/whatif?{query}"), 422)


def test_the_suggestion_is_made_once(client: TestClient, place: str, stand_in: StandIn) -> None:
    """Reading the suggestion again does not learn again, and a new run does."""
    client.post(f"{place}/runs", json=_RUN)
    learned = stand_in.learned
    client.get(f"{place}/suggestion")
    client.get(f"{place}/confidence")
    client.get(f"{place}/whatif?turns=0.125")
    assert stand_in.learned == learned
    client.post(f"{place}/runs", json=_RUN)
    assert stand_in.learned == learned + 1


def test_a_run_is_kept_when_learning_fails(client: TestClient, place: str, stand_in: StandIn) -> None:
    """If no suggestion can be made the run is stored all the same, and the answer says so."""
    stand_in.fails = True
    answer = client.post(f"{place}/runs", json=_RUN).json()
    assert answer["suggestion"] is None
    assert "no suggestion could be made" in answer["warnings"][0]
    assert len(client.get(f"{place}/history").json()["entries"]) == 1
    stand_in.fails = False
    assert client.get(f"{place}/suggestion").status_code == 200


def test_a_run_is_kept_when_its_answer_cannot_be(
    client: TestClient, place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If the database fails once the run is stored, the answer does not claim that nothing was."""

    def fails(*_args: object) -> None:
        raise OperationalError("INSERT", {}, Exception("disk"))

    monkeypatch.setattr("api.advice.storage.put", fails)
    answer = client.post(f"{place}/runs", json=_RUN)
    assert answer.status_code == 201
    assert "It is recorded" in answer.json()["warnings"][0]
    assert len(client.get(f"{place}/history").json()["entries"]) == 1


def test_answers_come_in_the_preferred_units(client: TestClient, needles: list[dict[str, Any]]) -> None:
    """Rise and taper come in the installation's units."""
    units = {"temperature_rise": "delta_degC", "taper": "percent"}
    place = client.post("/api/v1/installations", json={"needles": needles[:1], "units": units}).headers["Location"]
    suggestion = client.get(f"{place}/suggestion").json()
    assert suggestion["expected"]["egt_rise"]["unit"] == "delta_degC"
    assert suggestion["confidence"]["taper_fit"]["unit"] == "percent"
    assert suggestion["confidence"]["taper_fit"]["interval_90"] == [-20.0, 20.0]


def test_alive_before_ready(client: TestClient, stand_in: StandIn) -> None:
    """The service is alive at once, and ready when the sampler is."""
    assert client.get("/healthz").status_code == 200
    assert "compiled" in _problem(client.get("/readyz"), 503)["detail"]
    client.app.state.desk.prepare()  # type: ignore[attr-defined] - the test client hides the application's type
    assert client.get("/readyz").json() == {"status": "ready"}


def test_lists_are_paged(client: TestClient, needles: list[dict[str, Any]]) -> None:
    """Installations come newest first, a page at a time."""
    for i in range(3):
        client.post("/api/v1/installations", json={"needles": needles[:1], "name": f"n{i}"})
    page = client.get("/api/v1/installations?limit=2").json()
    assert page["total"] == 3
    assert [i["installation"]["name"] for i in page["installations"]] == ["n2", "n1"]
    _problem(client.get("/api/v1/installations?limit=1000"), 422)


def test_the_openapi_page_asks_nobody_else(client: TestClient) -> None:
    """The page and all it loads come from the service itself, under a policy that forbids the rest."""
    page = client.get("/docs")
    assert "default-src 'none'" in page.headers["Content-Security-Policy"]
    assert "://" not in page.text
    for name in ("page.js", "page.css", "start.js"):
        assert client.get(f"/docs/{name}").status_code == 200
    assert client.get("/docs/other.js").status_code == 404
    assert client.get("/openapi.json").json()["info"]["title"] == "Eighth Turn"


def test_unknown_addresses_are_problems(client: TestClient) -> None:
    """What is not there is a problem document too."""
    _problem(client.get("/nowhere"), 404)
    _problem(client.delete("/healthz"), 405)
