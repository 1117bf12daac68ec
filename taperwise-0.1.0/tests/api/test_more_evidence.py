"""Further observations, limits watched and acknowledged, and a trace's other channels, over HTTP."""

from typing import Any

import numpy as np
import pytest

from taperwise.api.schemas.run import ColumnMapping
from taperwise.api.traces.columns import trace_of
from taperwise.shared.errors import InvalidValueError
from tests.api.asking import Client, problem

_AIR = {"air_temperature": {"value": 68, "unit": "degF"}, "pressure": {"value": 29.9, "unit": "inHg"}}


def _trace() -> str:
    """An invented sweep of 60 s with all channels: leaning from 20 s on."""
    t = np.arange(0.0, 60.0, 0.5)
    done = np.clip((t - 20.0) / 25.0, 0.0, 1.0)
    x = 0.13 - 0.22 * done
    egt = 1350.0 - np.where(x < 0, 1.4, 1.0) * 1002.0 * (np.sqrt(x * x + 0.035**2) - 0.035)
    shown = egt.copy()
    for i in range(1, len(t)):
        shown[i] = shown[i - 1] + (egt[i] - shown[i - 1]) * 0.5 / 2.5
    shown += np.random.default_rng(4).normal(0, 2, len(t))
    rows = zip(
        t, shown, 2700 + 30 * np.sin(np.pi * done), 400 + 20 * done, 9 - 2 * done, 0.87 + 0.2 * done, strict=True
    )
    head = "time (s),EGT 1 (degF),rpm,CHT 1 (degF),fuel flow (gal/h),lambda,remarks\n"
    return head + "\n".join(",".join(f"{v:.3f}" for v in row) + ",by hand" for row in rows)


def test_a_trace_fills_what_was_not_typed(client: Client, place: str) -> None:
    """Speed, its rise, lambda, flow and the highest temperatures come from the channels; a typed value stays."""
    body = {**_AIR, "trace": {"csv": _trace()}, "lambda_full_rich": {"value": 0.9, "unit": "1"}}
    answer = client.post(f"{place}/runs", json=body)
    assert answer.status_code == 201, answer.text
    run = answer.json()["run"]["run"]
    assert run["static_rpm"]["value"] == pytest.approx(2700, abs=5)
    assert run["power_rpm_rise"]["value"] == pytest.approx(30, abs=3)
    assert run["lambda_full_rich"]["value"] == 0.9
    # 9 US gallons an hour are 9.464 cc/s (1 gal = 3,785.41 cc, NIST SP 811)
    assert run["fuel_flow"] == {"value": pytest.approx(9.464, rel=0.01), "unit": "cc/s"}
    assert run["highest"]["cht"]["value"] == pytest.approx((420 + 459.67) / 1.8, abs=1.0)
    assert answer.json()["sweeps"][0]["instruments"]["throttle_moved"] is False


def test_columns_by_name_and_by_guess() -> None:
    """A column of remarks hurts nobody, headings that occur twice stay apart, a channel may be named."""
    text = "t,EGT (degF),EGT (degF),N,notes\n10:00:00,1300,1310,2700,a\n10:00:01,1301,1311,2710,b\n"
    trace = trace_of(text, ColumnMapping(time="t", rpm="N"))
    assert len(trace.egt_kelvin) == 2
    assert list(trace.channels["rpm"]) == [2700.0, 2710.0]
    assert list(trace.seconds) == [0.0, 1.0]
    with pytest.raises(InvalidValueError, match=r"row 2, column 'notes'.*got a"):
        trace_of(text, ColumnMapping(time="t", rpm="notes"))
    guessed = trace_of("t,EGT (degF),fuel flow,mixture\n0,1300,9,RICH\n1,1301,9,RICH\n")
    assert guessed.channels == {}
    assert guessed.unused == (("mixture", "some values are not numbers"), ("fuel flow", "its unit is unknown"))
    with pytest.raises(InvalidValueError, match=r"mapping\.fuel_flow_unit"):
        trace_of(text, ColumnMapping(time="t", fuel_flow="N"))


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"lambda_full_rich": {"value": 14.7, "unit": "1"}}, "lambda_full_rich"),
        ({"fuel_flow": {"value": 900, "unit": "gal/h"}}, "fuel_flow"),
        ({"highest": {}}, "highest"),
        ({"highest": {"cht": {"value": 2000, "unit": "degF"}}}, "highest.cht"),
        ({"sureness": "perhaps"}, "sureness"),
        ({"idle_rpm_rise": {"value": 12000, "unit": "rpm"}}, "idle_rpm_rise"),
    ],
)
def test_further_observations_are_checked(client: Client, place: str, more: dict[str, Any], field: str) -> None:
    """What is not plausible is refused by name."""
    refused = problem(client.post(f"{place}/runs", json={**_AIR, "idle_quality": "smooth", **more}), 422)
    assert field in str(refused["errors"])


def test_a_limit_is_watched_and_acknowledged(recorded_client: Client, needles: list[dict[str, Any]]) -> None:
    """Beyond a limit the run is recorded and the step withheld, until its cause is acknowledged."""
    installation = {
        "needles": needles, "fitted_needle": "taper 30.0", "watch": {"cht": {"value": 450, "unit": "degF"}},
    }  # fmt: skip
    place = recorded_client.post("/api/v1/installations", json=installation).headers["Location"]
    run = {
        **_AIR,
        "egt_rise": {"seen": "peak", "rise": {"value": 160, "unit": "delta_degF"}},
        "highest": {"cht": {"value": 462, "unit": "degF"}},
    }
    hot = recorded_client.post(f"{place}/runs", json=run).json()
    assert hot["suggestion"]["action"]["kind"] == "inspect"
    assert "462 °F" in hot["suggestion"]["action"]["instruction"]
    done = recorded_client.post(f"{place}/acknowledgements", json={"cause": "baffle torn; replaced"})
    assert done.status_code == 201, done.text
    assert done.json()["suggestion"]["action"]["kind"] == "turn_screw"
    assert done.json()["warnings"] == []
    history = recorded_client.get(f"{place}/history").json()["entries"]
    assert history[1]["acknowledged"]["cause"] == "baffle torn; replaced"
    again = recorded_client.post(f"{place}/acknowledgements", json={"cause": "would not help"})
    assert "There was no run" in again.json()["warnings"][0]


def test_the_idle_in_words(client: Client, place: str) -> None:
    """A rise of idle speed is put into words with the run, and the five levels are described."""
    run = {**_AIR, "idle_rpm_rise": {"value": 90, "unit": "rpm"}}
    assert "rich" in client.post(f"{place}/runs", json=run).json()["means"][0]
    levels = client.get("/api/v1/idle-levels").json()
    assert [level["level"] for level in levels] == [1, 2, 3, 4, 5]
    assert "stumbling" in levels[0]["name"]


@pytest.mark.parametrize(("query", "status"), [("density_altitude=8000", 200), ("density_altitude=99999", 422)])
def test_what_if_the_air_were_another(client: Client, place: str, query: str, status: int) -> None:
    """Any density altitude that an aeroplane meets can be asked for."""
    assert client.get(f"{place}/whatif?{query}").status_code == status
