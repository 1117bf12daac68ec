"""A process in which two meters and a unit nobody has heard of are added through the public seam, and then used.

Run by `tests/test_a_new_meter.py`: what is added stays for as long as a process lives.
"""

import sys
from pathlib import Path
from typing import Any

from taperwise.model.physics import meters as rules
from taperwise.shared import meters, units

meters.add(meters.Meter("second_lambda", "lambda", "second lambda", "Lambda of the other pipe"))
rules.add("second_lambda", rules.Rule(0.006, lambda at: at.unknowns.lambda_at_peak - at.mean))

units.KINDS["thrust"] = units.Kind("a thrust", "newton", ("lbf", "newton"), 50.0, 10_000.0)
meters.add(meters.Meter("static_thrust", "thrust", "static thrust", "Pull on the scale", "At full throttle."))
rules.add(
    "static_thrust",
    rules.Rule(
        0.02, lambda at: at.settings.ln_density + 2.0 * at.backend.log(at.static_rpm / at.scales.static_rpm) + 7.0
    ),
)

import numpy as np  # noqa: E402 - a contributor's rows stand in the two files, before anything is read with them

from taperwise.api.app import create_app  # noqa: E402 - as above
from taperwise.api.core.settings import Settings  # noqa: E402 - as above
from taperwise.model.inference.data_packing import data_of  # noqa: E402 - as above
from taperwise.model.inference.dataset import gather  # noqa: E402 - as above
from taperwise.model.inference.likelihood import log_likelihood  # noqa: E402 - as above
from taperwise.model.inference.prior_draws import draw_unknowns  # noqa: E402 - as above
from taperwise.model.inference.readings import readings_of  # noqa: E402 - as above
from taperwise.model.physics.mixture import mixtures  # noqa: E402 - as above
from taperwise.model.simulation.virtual_engine import VirtualEngine  # noqa: E402 - as above
from taperwise.shared.records import Installation, Needle  # noqa: E402 - as above
from taperwise.shared.runs import Air, Run  # noqa: E402 - as above
from tests.api.asking import Client  # noqa: E402 - as above
from tests.api.conftest import StandIn  # noqa: E402 - as above

_AIR = Air(288.15, 101_325.0)
_INSTALLATION = Installation((Needle("taper 30.0", 0.03),), "taper 30.0")


def likelihoods(*runs: Run) -> list[np.ndarray[Any, Any]]:
    """Of each run alone, for the same draws of the prior."""
    u = draw_unknowns(_INSTALLATION, np.random.default_rng(1), draws=200)
    found = []
    for run in runs:
        evidence = gather(_INSTALLATION, [run])
        ends = mixtures(u, evidence.settings, evidence.pivot, evidence.throttle)
        found.append(log_likelihood(evidence.readings, u, ends, evidence.settings, evidence.scales)[:, 0])
    return found


def in_the_model() -> None:
    """What the second sensor shows says what the first one would; thrust says something of its own."""
    first, second, thrust = likelihoods(
        Run(_AIR, meters=(("lambda_full_rich", 0.88),)),
        Run(_AIR, meters=(("second_lambda", 0.88),)),
        Run(_AIR, meters=(("static_thrust", 1_000.0),)),
    )
    np.testing.assert_array_equal(first, second)
    assert np.ptp(first) > 1.0
    assert np.ptp(thrust) > 1.0
    both = likelihoods(Run(_AIR, meters=(("lambda_full_rich", 0.88), ("second_lambda", 0.88))))[0]
    np.testing.assert_allclose(both, 2.0 * first)

    engine = VirtualEngine(
        _INSTALLATION, draw_unknowns(_INSTALLATION, np.random.default_rng(2)), np.random.default_rng(3)
    )
    seen = [engine.run(_AIR, instruments=True) for _ in range(200)]
    medians = [float(np.median([run.metered(name) for run in seen])) for name in ("lambda_full_rich", "second_lambda")]
    assert abs(medians[0] / medians[1] - 1.0) < 0.005
    assert [name for name, _ in seen[0].meters] == ["lambda_full_rich", "fuel_flow", "second_lambda", "static_thrust"]
    assert len(readings_of(seen).has_meters) == 4


def in_the_graph() -> None:
    """The sampler's graph takes its readings, and finds in them what the formulas find."""
    from pytensor.compile.mode import Mode

    from taperwise.model.inference.pymc_model import build

    model = build()
    density = model.compile_logp(mode=Mode("py", None))  # as it stands, in plain Python: compiling takes a minute
    start = model.initial_point()

    def at(*meters: tuple[str, float]) -> float:
        for name, value in data_of(gather(_INSTALLATION, [Run(_AIR, static_rpm=2500.0, meters=meters)])).items():
            model.set_data(name, value)
        return float(density(start))

    bare = at()
    assert at(("second_lambda", 0.88)) == at(("lambda_full_rich", 0.88)) != bare
    assert at(("static_thrust", 1_000.0)) != bare


def at_the_counter(folder: Path) -> None:
    """Form, record, history, table and contract know them, with units and words; a slip is told by name."""
    with Client(create_app(Settings(data_folder=folder, database_url=""), StandIn)) as client:
        needle = {"label": "taper 30.0", "taper_slope": {"value": 30.0, "unit": "mm/m"}}
        body = {"needles": [needle], "fitted_needle": "taper 30.0"}
        place = client.post("/api/v1/installations", json=body).headers["Location"]
        run: dict[str, Any] = {
            "air_temperature": {"value": 59, "unit": "degF"},
            "pressure": {"value": 29.92, "unit": "inHg"},
            "static_thrust": {"value": 225, "unit": "lbf"},
            "second_lambda": {"value": 0.88, "unit": "1"},
        }
        made = client.post(f"{place}/runs", json=run)
        assert made.status_code == 201, made.text
        refused = client.post(f"{place}/runs", json=run | {"static_thrust": {"value": 5, "unit": "lbf"}})
        assert refused.status_code == 422
        assert "static_thrust" in refused.text
        assert "thrust" in client.get("/openapi.json").text

        page = place.removeprefix("/api/v1")
        form = client.get(f"{page}/run").text
        for words in ("Lambda of the other pipe", "Pull on the scale", "At full throttle.", "lbf"):
            assert words in form, words
        typed = {
            "air_temperature.value": "59", "air_temperature.unit": "degF", "air_pressure.value": "29.92",
            "air_pressure.unit": "inHg", "pressure_kind": "pressure", "static_thrust.value": "230",
            "static_thrust.unit": "lbf",
        }  # fmt: skip
        sent = client.post(f"{page}/run", data=typed, headers={"Origin": "http://testserver"}, follow_redirects=False)
        assert sent.status_code == 303, sent.text
        history = client.get(f"{page}/history").text
        assert "static thrust 225 lbf" in history
        assert "second lambda 0.88" in history
        assert "static thrust 230 lbf" in history
        entries = client.get(f"{place}/history").json()["entries"]
        assert entries[0]["run"]["static_thrust"]["value"] == 225
        table = client.get(f"{place}/table").text
        assert "static thrust" in table.splitlines()[0]
        assert "225" in table.splitlines()[1]
    # 1 lbf = 4.448 222 N: NIST SP 811 (2008), appendix B.8
    assert abs(units.to_si("thrust", 225.0, "lbf") - 225.0 * 4.448222) < 1e-3


if __name__ == "__main__":
    in_the_model()
    in_the_graph()
    at_the_counter(Path(sys.argv[1]))
    print("fine")
