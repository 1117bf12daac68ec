"""An observation nobody has heard of, added as the contributor's list says: the lines to write, and a trial of them.

Smoke at full throttle, full rich, is judged as none, grey or black: an ordered judgement of the mixture. `add_to`
writes its lines into a copy of the source; ``python -m tests.another_observation FOLDER`` is run in that copy.
"""

import csv
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

__all__ = ["LINES", "add_to"]

LINES: dict[str, tuple[tuple[str, str], ...]] = {
    "shared/runs.py": (
        ("    meters: tuple[tuple[str, float], ...] = ()\n", "    smoke: int | None = None\n"),
        ('    "rise",\n', '    "smoke",\n'),
    ),
    "model/inference/readings.py": (
        (
            "    ln_meters: tuple[NDArray[np.float64], ...]\n",
            "    smoke: NDArray[np.float64]\n    has_smoke: NDArray[np.float64]\n",
        ),
        (
            "    if run.idle_quality is not None:\n",
            "    if run.smoke is not None:\n        row |= {'smoke': float(run.smoke), 'has_smoke': 1.0}\n",
        ),
    ),
    "model/inference/likelihood.py": (
        ("    ln_meters: tuple[Array, ...]\n", "    smoke: Array\n"),
        ("        ln_meters=expected(", "        smoke=mean,\n"),
        (
            "    return terms\n",
            "    lower = backend.where(r.smoke < 1.5, -1.0, backend.where(r.smoke < 2.5, 0.1, 0.3))\n"
            "    upper = backend.where(r.smoke < 1.5, 0.1, backend.where(r.smoke < 2.5, 0.3, 2.0))\n"
            "    level = 2.0 * r.smoke - 1.0\n"
            "    judged = noise.log_level(level, e.shown.smoke, lower, upper, 0.05 * r.widening, backend)\n"
            "    terms[0] = terms[0] + r.has_smoke * judged\n",
        ),
    ),
    "model/prediction/setting_draws.py": (
        ("    ln_meters: tuple[Draws, ...]\n", "    smoke: Draws\n"),
        ("                ln_meters=tuple(", "                smoke=e.smoke[:, 0],\n"),
    ),
    "model/prediction/predictive.py": (
        ("    ln_meters: NDArray[np.float64]\n", "    smoke: NDArray[np.float64]\n"),
        ("        ln_meters=np.stack(", "        smoke=outlook.smoke + rng.logistic(0.0, 0.05, len(outlook.smoke)),\n"),
    ),
    "model/design/ground_run.py": (
        ('    "rise": ("full"', '    "smoke": ("mean",),\n'),
        ('        "rise": _rise,\n', '        "smoke": _smoke,\n'),
        (
            "def _idle_quality(",
            "def _smoke(seen: Outcomes, x: Latents) -> _Floats:\n"
            "    cut_at, level = np.array([-1.0, 0.1, 0.3, 2.0]), np.digitize(seen.smoke, [0.1, 0.3])[:, None]\n"
            "    judged: _Floats = noise.log_level(\n"
            "        2.0 * level + 1.0, x.mean, cut_at[level], cut_at[level + 1], np.array(0.05)\n"
            "    )\n"
            "    return judged\n\n\n",
        ),
    ),
    "model/simulation/virtual_engine.py": (
        (
            "            meters=tuple(metered)",
            "            smoke=1 + int(np.digitize(e.smoke[0, 0] + self._rng.logistic(0.0, 0.05), [0.1, 0.3]))\n"
            "            if instruments\n"
            "            else None,\n",
        ),
    ),
    "api/schemas/run.py": (
        ("    highest: HighestIn | None = Field(\n", '    smoke: Literal["none", "grey", "black"] | None = None\n'),
        (
            "            meters=tuple(",
            '            smoke=1 + ("none", "grey", "black").index(self.smoke) if self.smoke else None,\n',
        ),
    ),
    "api/presentation/observations.py": (
        (
            "    *(\n        Observation(meter.name",
            """    Observation(
        "smoke", "smoke", label="Smoke at full throttle, full rich", place="rise", column="smoke",
        levels=(Level("none", "no smoke"), Level("grey", "grey", "a haze"), Level("black", "black")),
    ),
""",
        ),
    ),
}
"""By file: what is written, before the one place where something stands."""


def add_to(root: Path) -> None:
    """Write the lines; each place has to be there once."""
    for name, lines in LINES.items():
        text = (root / name).read_text(encoding="utf-8")
        for place, line in lines:
            assert text.count(place) == 1, (name, place)
            text = text.replace(place, line + place)
        (root / name).write_text(text, encoding="utf-8")


def in_the_model() -> None:
    """Likelihood, sampler's graph, prediction, design and virtual engine say the same of it."""
    import numpy as np

    from taperwise.model.design.ground_run import ground_run
    from taperwise.model.inference.dataset import gather
    from taperwise.model.inference.likelihood import log_likelihood
    from taperwise.model.inference.prior_draws import draw_unknowns
    from taperwise.model.physics.air import conditions_of
    from taperwise.model.physics.mixture import mixtures
    from taperwise.model.prediction.setting_draws import predict_settings
    from taperwise.model.simulation.virtual_engine import VirtualEngine
    from taperwise.shared.records import Installation, Needle
    from taperwise.shared.runs import Air, Run

    air, installation = Air(288.15, 101_325.0), Installation((Needle("taper 30.0", 0.03),), "taper 30.0")
    u = draw_unknowns(installation, np.random.default_rng(1), draws=200)
    evidence = gather(installation, [Run(air, smoke=level) for level in (1, 2, 3)])
    ends = mixtures(u, evidence.settings, evidence.pivot, evidence.throttle)
    told = log_likelihood(evidence.readings, u, ends, evidence.settings, evidence.scales)
    # it is one of the three, whatever the engine
    np.testing.assert_allclose(np.exp(told).sum(axis=1), 1.0)
    assert np.ptp(told, axis=0).min() > 1.0

    posterior: Any = SimpleNamespace(unknowns=u, evidence=evidence, seed=3)
    outlook = predict_settings(posterior, [evidence.position], conditions_of(air))[0]
    target: Any = SimpleNamespace(offset_turns=u.offset[:, 0], taper_misfit=u.offset[:, 0])
    planned = ground_run(outlook, posterior, target, frozenset({"smoke"}))
    truths = np.arange(200)
    density = planned.log_density(truths, planned.latents.T[:, None, :])
    assert {round(x, 6) for x in density[:, 0]} == {round(x, 6) for x in told[0]}

    engine = VirtualEngine(
        installation, draw_unknowns(installation, np.random.default_rng(2)), np.random.default_rng(3)
    )
    seen = [engine.run(air, instruments=True).smoke for _ in range(1000)]
    ends = mixtures(engine._u, evidence.settings, evidence.pivot, evidence.throttle)
    chance = np.exp(log_likelihood(evidence.readings, engine._u, ends, evidence.settings, evidence.scales))[0]
    for level in (1, 2, 3):
        assert abs(seen.count(level) / 1000 - chance[level - 1]) < 4.0 * (0.25 / 1000) ** 0.5


def in_the_graph() -> None:
    """The sampler's graph takes it."""
    from pytensor.compile.mode import Mode

    from taperwise.model.inference.data_packing import data_of
    from taperwise.model.inference.dataset import gather
    from taperwise.model.inference.pymc_model import build
    from taperwise.shared.records import Installation, Needle
    from taperwise.shared.runs import Air, Run

    model = build()
    density = model.compile_logp(mode=Mode("py", None))  # as it is, in plain Python: compiling takes a minute
    found = []
    for more in ({}, {"smoke": 1}, {"smoke": 3}):
        run = Run(Air(288.15, 101_325.0), static_rpm=2500.0, **more)
        for name, value in data_of(gather(Installation((Needle("A", 0.03),), "A"), [run])).items():
            model.set_data(name, value)
        found.append(float(density(model.initial_point())))
    assert len({*found}) == 3
    assert all(x == x and abs(x) < 1e6 for x in found)


def in_the_service(folder: Path) -> None:
    """The JSON API, the form, messages, the history and the exported table know it."""
    from taperwise.api.app import create_app
    from taperwise.api.core.settings import Settings
    from tests.api.asking import AIR, Client
    from tests.api.conftest import StandIn

    with Client(create_app(Settings(data_folder=folder, database_url=""), StandIn)) as client:
        needle = {"label": "A", "taper_slope": {"value": 30.0, "unit": "mm/m"}}
        body = {"needles": [needle], "fitted_needle": "A"}
        place = client.post("/api/v1/installations", json=body).headers["Location"]
        page = place.removeprefix("/api/v1")
        assert client.post(f"{place}/runs", json=AIR | {"smoke": "grey"}).status_code == 201
        assert client.post(f"{place}/runs", json=AIR | {"smoke": "blue"}).status_code == 422
        assert "smoke" in client.get("/openapi.json").json()["components"]["schemas"]["RunIn"]["properties"]

        form = client.get(f"{page}/run").text
        assert "<legend>Smoke at full throttle, full rich</legend>" in form
        assert "<small>a haze</small>" in form
        typed = {
            "air_temperature.value": "59", "air_temperature.unit": "degF", "air_pressure.value": "29.92",
            "air_pressure.unit": "inHg", "pressure_kind": "pressure", "smoke": "black",
        }  # fmt: skip
        mine = {"headers": {"Origin": "http://testserver"}, "follow_redirects": False}
        assert client.post(f"{page}/run", data=typed, **mine).status_code == 303
        refused = client.post(f"{page}/run", data=typed | {"smoke": "blue"}, **mine)
        assert refused.status_code == 422
        assert 'id="smoke-wrong"' in refused.text
        assert 'value="black" checked' in client.get(f"{page}/entries/2/correct").text

        history = client.get(f"{page}/history").text
        assert "smoke grey" in history
        assert "smoke black" in history
        assert [each["run"]["smoke"] for each in client.get(f"{place}/history").json()["entries"]] == ["grey", "black"]
        rows = list(csv.DictReader(client.get(f"{place}/table").text.splitlines()))
        assert [each["smoke"] for each in rows] == ["grey", "black"]


if __name__ == "__main__":
    in_the_model()
    in_the_graph()
    in_the_service(Path(sys.argv[1]))
    print("fine")
