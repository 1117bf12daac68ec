"""Broken probes beside healthy ones, on invented sweeps: each is named, none decides, and no healthy one is lost.

What breaks is known of thermocouples in general; the thresholds are judgement, common practice, no published source.
"""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from taperwise.api.schemas.units import Units
from taperwise.api.traces.columns import Trace
from taperwise.api.traces.reading import summary
from taperwise.model.traces.cylinders import CylinderReadings
from taperwise.model.traces.probes import COLDEST_KELVIN, screen
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.findings import LEFT_OUT, FindingCode
from tests.benchmarks.engines.virtual_sweep import (
    Curve,
    SweepPlan,
    calculated_cycle,
    cycle_curves,
    random_plan,
    run_sweep,
)

_F = NDArray[np.float64]
_PLAN = SweepPlan(1.14, 0.92, 14.0, 32.0, 1.0, 2.5, 2.0, 0.5)
_RICHER = {"EGT 1": 0.02, "EGT 2": 0.0, "EGT 3": 0.03}
_DEAD_KELVIN = (380.0 + 459.67) / 1.8


@pytest.fixture(scope="module")
def curve() -> Curve:
    """The calculated cycle with a spread of mixture."""
    return calculated_cycle().spread(0.04)


def _engine(curve: Curve, rng: np.random.Generator, plan: SweepPlan = _PLAN) -> tuple[_F, dict[str, _F]]:
    """Times and three healthy columns; the second one's cylinder is the leanest."""
    traces = {
        name: run_sweep(curve, replace(plan, start=plan.start + richer, end=plan.end + richer), rng)
        for name, richer in _RICHER.items()
    }
    return traces["EGT 1"].seconds, {name: trace.kelvin for name, trace in traces.items()}


def _often(t: _F, every: float) -> NDArray[np.bool_]:
    """Every third stretch of so many seconds."""
    return np.asarray((t // every).astype(int) % 3 == 1)


Fault = Callable[[_F, _F, np.random.Generator], _F]
_FAULTS: dict[str, tuple[Fault, set[FindingCode]]] = {
    "flat at ambient": (lambda t, x, rng: 293.0 + rng.normal(0, 0.3, len(t)), {FindingCode.COLD}),
    "flat at 380 °F": (lambda t, x, rng: _DEAD_KELVIN + rng.normal(0, 1.0, len(t)), {FindingCode.COLD}),
    "one value, 380 °F": (lambda t, x, rng: np.full(len(t), _DEAD_KELVIN), {FindingCode.COLD}),
    "falling slowly from 380 °F": (
        lambda t, x, rng: _DEAD_KELVIN - 0.3 * t + rng.normal(0, 1.0, len(t)), {FindingCode.COLD},
    ),
    "open circuit, huge": (lambda t, x, rng: np.full(len(t), 9999.0), {FindingCode.NO_SIGNAL}),
    "open circuit, negative": (lambda t, x, rng: np.full(len(t), -200.0), {FindingCode.NO_SIGNAL}),
    "no sample": (lambda t, x, rng: np.full(len(t), np.nan), {FindingCode.NO_SIGNAL}),
    "saturated": (lambda t, x, rng: np.full(len(t), 1298.0), {FindingCode.FLAT}),
    "beyond any exhaust": (lambda t, x, rng: np.full(len(t), 1598.0), {FindingCode.NO_SIGNAL}),
    "Celsius among Fahrenheit": (lambda t, x, rng: (x - 273.15 - 32.0) / 1.8 + 273.15, {FindingCode.LOW}),
    "flat while hot": (lambda t, x, rng: 977.0 + rng.normal(0, 1.5, len(t)), {FindingCode.FLAT}),
    "noise alone": (lambda t, x, rng: 950.0 + rng.normal(0, 25.0, len(t)), {FindingCode.FLAT, FindingCode.DRIFTS}),
    "drifting up": (lambda t, x, rng: 950.0 + 0.4 * t + rng.normal(0, 1.5, len(t)), {FindingCode.DRIFTS}),
    "drifting down": (lambda t, x, rng: 1000.0 - 0.5 * t + rng.normal(0, 1.5, len(t)), {FindingCode.DRIFTS}),
    "detached, hot": (
        lambda t, x, rng: 900.0 + 0.1 * (x - x[0]) + rng.normal(0, 0.5, len(t)),
        {FindingCode.FOLLOWS, FindingCode.FLAT, FindingCode.DRIFTS},
    ),
    "detached, cold": (lambda t, x, rng: 330.0 + 0.1 * (x - x[0]) + rng.normal(0, 0.5, len(t)), {FindingCode.COLD}),
    "the same column twice": (lambda t, x, rng: x.copy(), {FindingCode.REPEATS}),
    "loose, cold in between": (lambda t, x, rng: np.where(_often(t, 4.0), 300.0, x + 3.0), {FindingCode.INTERMITTENT}),
    "loose, twice for a moment": (
        lambda t, x, rng: np.where((abs(t - 20.0) < 2.5) | (abs(t - 32.0) < 2.5), np.nan, x + 3.0),
        {FindingCode.INTERMITTENT},
    ),
    "loose, nothing in between": (
        lambda t, x, rng: np.where(_often(t, 5.0), np.nan, x + 3.0), {FindingCode.INTERMITTENT},
    ),
}  # fmt: skip


def _decided(t: _F, columns: dict[str, _F]) -> CylinderReadings:
    return summary(Trace(t, columns), Units())[-1]


@pytest.mark.parametrize("healthy", [1, 3])
@pytest.mark.parametrize("name", _FAULTS)
def test_a_broken_probe_is_named_and_changes_nothing(
    curve: Curve, name: str, healthy: int, rng: np.random.Generator
) -> None:
    """With k healthy columns the rise that decides is the one without the broken column, wherever that stands."""
    make, codes = _FAULTS[name]
    t, columns = _engine(curve, rng)
    columns = dict(list(columns.items())[-healthy:])
    alone = _decided(t, columns)
    assert not [f for f in alone.findings if f.code in LEFT_OUT]
    bad = make(t, columns["EGT 3"], rng)
    orders = [{**columns, "EGT 4": bad}]
    if name != "the same column twice":  # of two equal columns the later one is left out
        orders.append({"EGT 4": bad, **columns})
    for order in orders:
        found = _decided(t, order)
        (finding,) = [f for f in found.findings if f.column == "EGT 4"]
        assert finding.code in codes
        assert finding.left_out
        assert found.leanest == alone.leanest
        assert found.readings[found.leanest].rise_kelvin == alone.readings[alone.leanest].rise_kelvin
        assert found.spread_kelvin == alone.spread_kelvin
        assert found.deciding == alone.deciding


@pytest.mark.parametrize(
    "name",
    [
        n
        for n, (_, codes) in _FAULTS.items()
        if codes <= {FindingCode.COLD, FindingCode.FLAT, FindingCode.DRIFTS, FindingCode.INTERMITTENT}
    ],
)
def test_a_single_broken_probe_is_refused(curve: Curve, name: str, rng: np.random.Generator) -> None:
    """What is wrong is said, and nobody is asked to lean further at full throttle."""
    t, columns = _engine(curve, rng)
    with pytest.raises(InvalidValueError, match="No exhaust column of this file can be used") as refused:
        summary(Trace(t, {"EGT 1": _FAULTS[name][0](t, columns["EGT 1"], rng)}), Units())
    assert "EGT 1" in refused.value.message
    assert "lean on" not in f"{refused.value.message} {refused.value.cure}".lower()


def test_a_lean_cylinder_that_falls_at_once_stays(curve: Curve) -> None:
    """Alone or beside richer ones, with much scatter or little: its response to leaning is there."""
    lean = replace(_PLAN, start=0.96, end=0.80)
    for seed in range(20):
        rng = np.random.default_rng(seed)
        plan = replace(_PLAN, noise_kelvin=rng.uniform(1.0, 6.0), lag_seconds=rng.uniform(1.0, 5.0))
        t, columns = _engine(curve, rng, plan)
        fell = run_sweep(curve, replace(lean, noise_kelvin=plan.noise_kelvin, lag_seconds=plan.lag_seconds), rng)
        assert screen(t, {"EGT 4": fell.kelvin}) == ()
        assert screen(t, {"EGT 4": fell.kelvin, "EGT 1": columns["EGT 1"]}) == ()
        found = _decided(t, {"EGT 4": fell.kelvin, **columns})
        assert found.leanest == "EGT 4"
        assert found.readings["EGT 4"].seen == "fell_at_once" or found.readings["EGT 4"].rise_kelvin < 8.0


@pytest.mark.parametrize("dead", ["one value, 380 °F", "flat while hot", "falling slowly from 380 °F"])
def test_two_of_three_broken(curve: Curve, dead: str, rng: np.random.Generator) -> None:
    """The broken ones are no majority that outvotes a healthy one."""
    t, columns = _engine(curve, rng)
    make = _FAULTS[dead][0]
    found = _decided(t, {"a": make(t, t, rng), "EGT 2": columns["EGT 2"], "b": make(t, t, rng) + 7.0})
    assert found.deciding == ("EGT 2",)


@pytest.mark.slow
def test_healthy_probes_are_seldom_left_out() -> None:
    """Of 300 engines of one to four cylinders, over lags, paces, scatter of 1 to 8 K and rises down to a few degrees,
    at most one in twenty loses a column; a slow probe decides in fewer than one in four where it did in all; at most
    two of its 45 files are refused.
    """
    rng = np.random.default_rng(2026)
    curves = cycle_curves()
    lost = slow_kept = refused = 0
    for i in range(300):
        curve = curves[rng.integers(3)]
        plan = random_plan(curve, rng)
        columns = {}
        for k in range(1 + i % 4):
            richer = rng.normal(0.0, 0.015)
            lag = float(np.clip(plan.lag_seconds * np.exp(rng.normal(0.0, 0.15)), 0.8, 6.0))
            mine = replace(plan, start=plan.start + richer, end=plan.end + richer, lag_seconds=lag)
            trace = run_sweep(curve, mine, rng)
            columns[f"EGT {k + 1}"] = trace.kelvin
        lost += bool(screen(trace.seconds, columns))
        if i % 4 and i % 5 == 0:
            slow = run_sweep(curve, replace(plan, lag_seconds=20.0), rng).kelvin
            try:
                found = _decided(trace.seconds, {**columns, "slow": slow})
            except InvalidValueError:
                refused += 1
            else:
                slow_kept += found.leanest == "slow"
    assert lost <= 15
    assert slow_kept <= 45 // 4
    assert refused <= 2


def test_a_much_slower_probe_is_named(curve: Curve, rng: np.random.Generator) -> None:
    """A probe that lags 20 s is told from a rich cylinder, which would have risen more by the time it peaks."""
    t, columns = _engine(curve, rng)
    slow = run_sweep(curve, replace(_PLAN, lag_seconds=20.0), rng).kelvin
    found = _decided(t, {**columns, "slow": slow})
    assert found.leanest == "EGT 2"
    (finding,) = [f for f in found.findings if f.column == "slow"]
    assert finding.code in (FindingCode.SLOW, FindingCode.LATE)


def test_the_coldest_exhaust() -> None:
    """800 °F, on the scale of ITS-90 temperatures that thermocouples are tabulated in: 32 °F is 273.15 K exactly."""
    assert pytest.approx((800.0 - 32.0) / 1.8 + 273.15, abs=0.5) == COLDEST_KELVIN
