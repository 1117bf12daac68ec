"""The contract: what goes in and what comes out."""

from typing import Any

import pytest

from taperwise.api.schemas.units import Units
from taperwise.shared.units import KINDS
from tests.api.asking import RISE, RUN, Client, problem
from tests.api.conftest import StandIn


def test_only_needles_have_no_default(client: Client, needles: list[dict[str, Any]]) -> None:
    """One needle is enough to set up an installation; everything else has a stated default."""
    answer = client.post("/api/v1/installations", json={"needles": needles[:1]})
    assert answer.status_code == 201
    shown = answer.json()["installation"]
    assert shown["targets"]["rise"]["low"] == {"value": 70.0, "unit": "delta_degF"}
    assert shown["limits"]["largest_turns"] == 0.25
    assert client.get(answer.headers["Location"]).json() == answer.json()


def test_a_run_is_recorded_and_answered(client: Client, place: str) -> None:
    """A run comes back with its number, the confidence and the suggestion."""
    answer = client.post(f"{place}/runs", json=RUN)
    assert answer.status_code == 201
    recorded = answer.json()
    assert recorded["run"]["sequence"] == 1
    assert recorded["run"]["run"]["egt_rise"] == RISE["egt_rise"] | {"error": None, "cylinders": 1, "spread": None}
    assert recorded["confidence"] == recorded["suggestion"]["confidence"]
    wanted = {"stage", "action", "why", "expect", "expected", "information", "alternatives", "cautions", "confidence"}
    wanted |= {"provenance", "warnings", "needles", "most_informative", "runs_to_finish", "why_code", "findings"}
    wanted |= {"worth_reading", "read_next", "coldest_air", "when_coldest"}
    assert wanted == set(recorded["suggestion"])


def test_an_adjustment_moves_the_position(client: Client, place: str) -> None:
    """The server keeps the cumulative screw position; a new needle starts from its mark."""
    for turns in (0.125, 0.25):
        client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": turns})
    answer = client.post(f"{place}/adjustments", json={"kind": "turn_idle_stop", "turns": -0.25})
    assert answer.json()["position"] == {"fitted_needle": "taper 30.0", "turns": 0.375, "idle_stop_turns": -0.25}
    answer = client.post(f"{place}/adjustments", json={"kind": "change_needle", "needle": "taper 30.6"})
    assert answer.json()["position"]["turns"] == 0.0
    assert answer.json()["position"]["fitted_needle"] == "taper 30.6"


@pytest.mark.parametrize(("turns", "damaged"), [(0.5, False), (-0.5, True)])
def test_a_large_turn_is_recorded_with_a_warning(client: Client, place: str, turns: float, damaged: bool) -> None:
    """What was done is recorded as done; beyond the small-step limit it is said why that is too much."""
    answer = client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": turns})
    assert answer.status_code == 201
    (warning,) = answer.json()["warnings"]
    assert "step limit of 1/4 turn" in warning
    assert ("destroy an engine" in warning) is damaged
    assert client.get(f"{place}/history").json()["position"]["turns"] == turns


def test_a_time_without_offset_is_utc(client: Client, place: str) -> None:
    """As documented; with an offset it is converted."""
    for written in ("2026-05-01T10:30:00", "2026-05-01T12:30:00+02:00"):
        answer = client.post(f"{place}/runs", json={**RUN, "time": written})
        assert answer.json()["run"]["time"] == "2026-05-01T10:30:00Z"


def test_an_altimeter_setting_becomes_station_pressure(client: Client, needles: list[dict[str, Any]]) -> None:
    """With the elevation of the installation; the answer shows the air it came to, in the preferred units.

    1013.25 hPa at 1000 m: 898.76 hPa (ISO 2533, table 1); dry air there at 8.5 °C has 0.9075 of the density.
    """
    body = {
        "needles": needles[:1],
        "elevation": {"value": 1000, "unit": "m"},
        "units": {"pressure": "hPa", "temperature": "degC"},
    }
    place = client.post("/api/v1/installations", json=body).headers["Location"]
    run = {
        "air_temperature": {"value": 8.5, "unit": "degC"},
        "altimeter_setting": {"value": 1013.25, "unit": "hPa"},
        "egt_rise": {"seen": "fell_at_once"},
    }
    air = client.post(f"{place}/runs", json=run).json()["run"]["air"]
    assert air["temperature"] == {"value": 8.5, "unit": "degC"}
    assert air["pressure"]["unit"] == "hPa"
    assert air["pressure"]["value"] == pytest.approx(898.76, abs=0.05)
    assert air["density_ratio"] == pytest.approx(0.9075, abs=0.0005)


def test_a_body_with_a_byte_order_mark_is_read(client: Client, place: str) -> None:
    """Some editors put a mark before UTF-8; it does no harm."""
    raw = b'\xef\xbb\xbf{"kind": "turn_screw", "turns": 0.125}'
    answer = client.post(f"{place}/adjustments", content=raw, headers={"content-type": "application/json"})
    assert answer.status_code == 201


def test_the_suggestion_is_made_once(client: Client, place: str, stand_in: StandIn) -> None:
    """Reading the suggestion again does not learn again, and a new run does."""
    client.post(f"{place}/runs", json=RUN)
    learned = stand_in.learned
    client.get(f"{place}/suggestion")
    client.get(f"{place}/confidence")
    client.get(f"{place}/whatif?turns=0.125")
    assert stand_in.learned == learned
    client.post(f"{place}/runs", json=RUN)
    assert stand_in.learned == learned + 1


def test_answers_come_in_the_preferred_units(client: Client, needles: list[dict[str, Any]]) -> None:
    """Rise and taper come in the installation's units."""
    units = {"temperature_rise": "delta_degC", "taper": "percent"}
    place = client.post("/api/v1/installations", json={"needles": needles[:1], "units": units}).headers["Location"]
    suggestion = client.get(f"{place}/suggestion").json()
    assert suggestion["expected"]["egt_rise"]["unit"] == "delta_degC"
    assert suggestion["confidence"]["taper_fit"]["unit"] == "percent"
    assert suggestion["confidence"]["taper_fit"]["interval_90"] == [-20.0, 20.0]


def test_an_installation_is_read_back_in_its_units(client: Client, needles: list[dict[str, Any]]) -> None:
    """What was typed is kept; beside it stands the same in the preferred units, defaults included."""
    units = {"length": "in", "volume": "litre", "elevation": "m", "taper": "percent", "temperature_rise": "kelvin"}
    body = {
        "needles": needles[:1],
        "throttle_body": {"bore": {"value": 25.4, "unit": "mm"}},
        "elevation": {"value": 1000, "unit": "ft"},
        "units": units,
    }
    shown = client.post("/api/v1/installations", json=body).json()
    assert shown["installation"]["throttle_body"]["bore"] == {"value": 25.4, "unit": "mm"}
    back = shown["in_preferred_units"]
    assert back["throttle_body"]["bore"] == {"value": 1.0, "unit": "in"}
    assert back["throttle_body"]["slide_stroke"] == {"value": 1.22047, "unit": "in"}
    assert back["engine"]["displacement"] == {"value": 2.2, "unit": "litre"}
    assert back["elevation"] == {"value": 304.8, "unit": "m"}
    assert back["needles"][0]["taper_slope"] == {"value": 2.82, "unit": "percent"}
    assert back["targets"]["rise"]["low"] == {"value": 38.8889, "unit": "kelvin"}
    assert back["targets"]["idle_rpm"]["low"] == {"value": 700.0, "unit": "rpm"}


def test_the_very_end_of_a_range_is_read_back(client: Client, needles: list[dict[str, Any]]) -> None:
    """A value at its limit, rounded in another unit to a hair beyond it, is shown and not refused."""
    body = {
        "needles": [{"label": "a", "taper_slope": {"value": 1, "unit": "mm/m"}}],
        "throttle_body": {"bore": {"value": 200, "unit": "mm"}},
        "units": {"length": "in"},
    }
    answer = client.post("/api/v1/installations", json=body)
    assert answer.status_code == 201
    assert answer.json()["in_preferred_units"]["throttle_body"]["bore"] == {"value": 7.87402, "unit": "in"}


@pytest.mark.parametrize("name", sorted(Units.model_fields))
def test_every_unit_of_a_kind_may_be_preferred(client: Client, needles: list[dict[str, Any]], name: str) -> None:
    """What may be sent in a unit may be read in it."""
    for unit in KINDS[name].units:
        body = {"needles": needles[:1], "units": {name: unit}}
        assert client.post("/api/v1/installations", json=body).status_code == 201


def test_an_entry_sent_twice_is_recorded_once(client: Client, place: str) -> None:
    """Under one key the first entry is the answer, whatever was recorded since; another entry under it is refused."""
    key = {"Idempotency-Key": "a-key-of-mine"}
    first = client.post(f"{place}/runs", json=RUN, headers=key).json()["run"]
    turn = {"kind": "turn_screw", "turns": 0.125}
    for _ in range(2):
        client.post(f"{place}/adjustments", json=turn, headers={"Idempotency-Key": "another-key"})
        assert client.post(f"{place}/runs", json=RUN, headers=key).json()["run"] == first
    assert len(client.get(f"{place}/history").json()["entries"]) == 2
    assert client.get(f"{place}/history").json()["position"]["turns"] == 0.125
    problem(client.post(f"{place}/adjustments", json=turn, headers=key), 422)
    problem(client.post(f"{place}/runs", json=RUN | {"idle_quality": 3}, headers=key), 422)
    problem(client.post(f"{place}/runs", json=RUN, headers={"Idempotency-Key": "short"}), 400)
    quoted = {"Idempotency-Key": '"a-key-of-mine"'}  # a string of RFC 9651, as the draft of the header field has it
    assert client.post(f"{place}/runs", json=RUN, headers=quoted).json()["run"] == first


def test_lists_are_paged(client: Client, needles: list[dict[str, Any]]) -> None:
    """Installations come newest first, a page at a time."""
    for i in range(3):
        client.post("/api/v1/installations", json={"needles": needles[:1], "name": f"n{i}"})
    page = client.get("/api/v1/installations?limit=2").json()
    assert page["total"] == 3
    assert [i["installation"]["name"] for i in page["installations"]] == ["n2", "n1"]
    problem(client.get("/api/v1/installations?limit=1000"), 422)
