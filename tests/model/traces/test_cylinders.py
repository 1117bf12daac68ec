"""The leanest cylinder decides: common practice, no published source."""

import numpy as np
import pytest

from taperwise.api.traces.recording import _rise
from taperwise.model.inference.likelihood import expected_readings
from taperwise.model.physics.mixture import Ends, engine_mean, leanest
from taperwise.model.traces.cylinders import compare
from taperwise.model.traces.sweep import SweepReading
from taperwise.shared.errors import InvalidValueError
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
    recorded = _rise(found)
    assert recorded.seen == "peak"
    assert recorded.rise.si() == 48.0
    assert recorded.cylinders == len(kelvins)


def test_a_cylinder_that_fell_at_once_decides() -> None:
    """It is lean of its peak already, whatever number its fall was given."""
    found = compare({"egt 1": _reading(60.0), "egt 2": _reading(90.0, "fell_at_once"), "egt 3": _reading(55.0)})
    assert found.leanest == "egt 2"
    assert _rise(found).seen == "fell_at_once"


@pytest.mark.parametrize(("odd", "decides"), [(10.0, True), (200.0, False)])
def test_a_lean_cylinder_decides_even_if_it_departs(odd: float, decides: bool) -> None:
    """A probe that reads far from the others is named; on the lean side it counts all the same."""
    found = compare({f"egt {i}": _reading(k) for i, k in enumerate((80.0, 84.0, 88.0, odd))})
    assert found.departing == ("egt 3",)
    assert (found.leanest == "egt 3") is decides


def test_no_cylinder_is_refused() -> None:
    """There is nothing to compare."""
    with pytest.raises(InvalidValueError, match="no cylinder"):
        compare({})


def test_the_leanest_is_below_the_mean(installation: Installation) -> None:
    """The least of several numbers is at most their mean: with all probes, with one, and in what is shown of both."""
    many = Installation(installation.needles, installation.fitted_needle, engine=Engine(egt_probes=4))
    posterior = engines(many, (), 0.2)
    u, evidence = posterior.unknowns, posterior.evidence
    full = u.ln_full
    assert (engine_mean(full, u, 1.0) > full).all()
    assert (leanest(full, u, 1.0) == full).all()
    assert (engine_mean(full, u, 0.0) == full).all()
    assert (leanest(full, u, 0.0) < full).all()
    ends = Ends(full, u.ln_idle, np.zeros_like(full))
    assert (expected_readings(u, ends, evidence.settings, evidence.scales).spread > 0.0).all()
