"""The leanest cylinder decides: common practice, no published source."""

from dataclasses import replace

import numpy as np
import pytest

from taperwise.api.schemas.units import Units
from taperwise.api.traces.recording import _rise
from taperwise.model.inference.likelihood import expected_readings
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics.exhaust import mixture_for_rise
from taperwise.model.physics.mixture import Ends, engine_mean, leanest
from taperwise.model.physics.nominal_values import scales_of
from taperwise.model.traces.cylinders import compare
from taperwise.model.traces.sweep import SweepReading
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.findings import FindingCode
from taperwise.shared.records import Engine, Installation
from tests.model.without_sampler import engines


def _reading(kelvin: float, seen: str = "peak", peak_seconds: float = 20.0) -> SweepReading:
    return SweepReading(seen, 900.0, kelvin, 2.0, 5.0, peak_seconds, 2.0, 1.0, 40.0, np.zeros(0))


@pytest.mark.parametrize("kelvins", [(60.0, 48.0, 55.0, 71.0), (48.0, 55.0), (71.0, 60.0, 55.0, 48.0)])
def test_the_smallest_rise_is_the_runs(kelvins: tuple[float, ...]) -> None:
    """Of several cylinders the one with the least rise to its peak has the least fuel, wherever its column stands."""
    found = compare({f"egt {i}": _reading(k, peak_seconds=30.0 - i) for i, k in enumerate(kelvins)})
    assert found.readings[found.leanest].rise_kelvin == 48.0
    assert found.spread_kelvin == pytest.approx(np.mean(kelvins) - 48.0)
    recorded = _rise(found, Units())
    assert recorded.seen == "peak"
    assert recorded.rise.si() == 48.0
    assert recorded.cylinders == len(kelvins)


def test_a_cylinder_that_fell_at_once_decides() -> None:
    """It is lean of its peak already, whatever number its fall was given."""
    found = compare({"egt 1": _reading(60.0), "egt 2": _reading(90.0, "fell_at_once"), "egt 3": _reading(55.0)})
    assert found.leanest == "egt 2"
    assert _rise(found, Units()).seen == "fell_at_once"


@pytest.mark.parametrize(("odd", "decides"), [(10.0, True), (200.0, False)])
def test_a_lean_cylinder_decides_even_if_it_departs(odd: float, decides: bool) -> None:
    """A probe that reads far from the others is named; on the lean side it counts all the same."""
    found = compare({f"egt {i}": _reading(k) for i, k in enumerate((80.0, 84.0, 88.0, odd))})
    assert found.departing == ("egt 3",)
    assert (found.leanest == "egt 3") is decides


def test_a_column_without_a_peak_decides_nothing_where_others_passed_theirs() -> None:
    """Whatever rise it shows so far: its cylinder is richer, or its probe does not respond."""
    found = compare({"egt 1": _reading(60.0), "egt 2": _reading(12.0, "not_passed"), "egt 3": _reading(55.0)})
    assert found.leanest == "egt 3"
    assert found.deciding == ("egt 1", "egt 3")
    assert [(f.code, f.column) for f in found.findings] == [(FindingCode.LATE, "egt 2")]


def test_a_reading_held_at_what_the_record_shows_is_named() -> None:
    """It counts, with the rise it was held at."""
    held = replace(_reading(48.0), code=FindingCode.HELD_AT_SHOWN)
    found = compare({"egt 1": _reading(60.0), "egt 2": held})
    assert found.leanest == "egt 2"
    assert [(f.code, f.column, f.figure) for f in found.findings] == [(FindingCode.HELD_AT_SHOWN, "egt 2", 48.0)]


def test_no_cylinder_is_refused() -> None:
    """There is nothing to compare."""
    with pytest.raises(InvalidValueError, match="No cylinder"):
        compare({})


def test_the_leanest_is_below_the_mean(installation: Installation) -> None:
    """Of several cylinders seen the leanest is below the mean, as a rule; of all, it is the leanest."""
    many = Installation(installation.needles, installation.fitted_needle, engine=Engine(egt_probes=4))
    posterior = engines(many, (), 0.2)
    u, evidence = posterior.unknowns, posterior.evidence
    full = u.ln_full
    assert (engine_mean(full, u) > full).mean() > 0.9
    assert (leanest(full, u, evidence.scales) == full).all()
    ends = Ends(full, u.ln_idle, np.zeros_like(full))
    assert (expected_readings(u, ends, evidence.settings, evidence.scales).spread > 0.0).mean() > 0.9


@pytest.mark.parametrize("cylinders", [1, 2, 3, 4, 6, 12])
@pytest.mark.parametrize("probes", [1, 2, 4])
def test_the_leanest_of_so_many(
    installation: Installation, rng: np.random.Generator, cylinders: int, probes: int
) -> None:
    """How far the leanest seen is below the mean, and the leanest of all below that: as cylinders drawn one by one."""
    probes = min(probes, cylinders)
    engine = Engine(cylinders=cylinders, egt_probes=probes)
    many = Installation(installation.needles, installation.fitted_needle, engine=engine)
    u = draw_unknowns(many, rng, draws=40_000)
    zero = np.zeros_like(u.ln_full)
    ours = [u.cylinder_gap[:, 0], -leanest(zero, u, scales_of(many))[:, 0]]
    each = u.cylinder_spread * rng.standard_normal((40_000, cylinders))
    if cylinders == 1:
        each[:] = 0.0  # the only one is the mean
    seen = each[:, :probes].min(axis=1)
    for name, found, expected in (("seen", ours[0], -seen), ("hidden", ours[1], seen - each.min(axis=1))):
        assert found.mean() == pytest.approx(expected.mean(), abs=0.001), name
        assert found.std() == pytest.approx(expected.std(), abs=0.0015), name


@pytest.mark.parametrize(("degf_per_phi", "chance"), [(1002, 0.05), (650, 0.008)])
def test_what_a_single_probe_leaves_open(installation: Installation, degf_per_phi: float, chance: float) -> None:
    """One probe of four cylinders that shows 70 °F: the others may be lean of peak all the same.

    Cylinders scatter by 3.3 % of mixture; drawn one by one (calculated outside the project) 5 % have one lean of peak
    with the calculated cycle's steep curve, and 0.8 % with a slope in the middle of those that a real engine showed.
    """
    rng = np.random.default_rng(1)
    u = draw_unknowns(installation, rng, draws=200_000)
    spread = np.full_like(u.ln_full, 0.033)
    u = replace(u, cylinder_spread=spread, cylinder_gap=spread * u.cylinder_gap / u.cylinder_spread)
    full = mixture_for_rise(70 / 1.8, degf_per_phi / 1.8, 0.035)
    found = (leanest(np.full_like(spread, full), u, scales_of(installation)) < 0.0).mean()
    assert found == pytest.approx(chance, rel=0.3)
