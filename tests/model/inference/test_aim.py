import math

import numpy as np
import pytest
from hypothesis import given

from taperwise.api.files.installation import installation_from
from taperwise.model.inference.coordinate_scales import BEND, UNIT, aims
from taperwise.model.inference.dataset import gather
from taperwise.model.inference.engine_prior import EXPERT, POOLED, EnginePrior
from taperwise.model.inference.sampler import ESS_LEAST, FIRST_TRY
from taperwise.model.physics.priors import PRIORS
from taperwise.model.recommender import Recommender
from taperwise.shared.records import ChangePart, Entry, Installation, Part, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests import strategies
from tests.benchmarks.histories import histories

_AIR = Air(288.15, 101_325.0)


def test_without_a_run_they_are_what_is_believed_before(installation: Installation) -> None:
    """Around the middle of the priors, as wide as they are, nothing bent."""
    aimed = aims(gather(installation, ()))
    assert (aimed.idle_rpm.middle, aimed.idle_rpm.unit) == (0.0, pytest.approx(PRIORS["idle_rpm"].spread))
    assert math.log1p(aimed.full.middle) == pytest.approx(PRIORS["gain_full"].centre, abs=1e-3)
    assert [each.bend for each in aimed] == [0.0] * 4


def test_one_reading_is_aimed_at(installation: Installation) -> None:
    """A static speed, far sharper than the prior: its own place, its own scatter, bent in full; the lapse in thin air
    is taken out.
    """
    evidence = gather(installation, [Run(_AIR, static_rpm=2600.0)])
    aimed = aims(evidence).static_rpm
    expected = float(evidence.scales.static_rpm)
    assert aimed.middle == pytest.approx(math.log(2600.0 / expected), rel=0.02)
    assert aimed.unit == pytest.approx(UNIT * PRIORS["static_rpm_noise"].centre / expected, rel=0.02)
    assert aimed.bend == pytest.approx(BEND, rel=0.02)
    thin = aims(gather(installation, [Run(Air(288.15, 85_000.0), static_rpm=2600.0)])).static_rpm
    # Gagg and Farrar's lapse of power over density, from memory, and the propeller's cube; dry air
    lapse = math.log(1.132 - 0.132 * 101_325.0 / 85_000.0) / 3.0
    assert thin.middle - aimed.middle == pytest.approx(-lapse, rel=0.05)


def test_a_rise_is_carried_over_to_the_pivot(installation: Installation) -> None:
    """A rise read before the screw was turned out aims at what is richer by that turn."""
    run = Run(_AIR, ExhaustRise(RiseSeen.PEAK, 60.0))
    still, empty = aims(gather(installation, [run])).full, Run(_AIR, idle_quality=IdleQuality.SMOOTH)
    turned = aims(gather(installation, [run, TurnScrew(0.125), empty])).full
    assert turned.middle > still.middle + 0.01
    # the curve at the reading's own place shows the reading
    scale, width = PRIORS["exhaust_scale"].centre, PRIORS["exhaust_width"].centre
    assert scale * (math.hypot(still.middle, width) - width) == pytest.approx(60.0, rel=0.05)


def test_a_pool_moves_no_aim_at_a_reading(installation: Installation) -> None:
    """Where engines like this one show steeper curves, a reading stays where it is on the reference curve."""
    run = Run(_AIR, ExhaustRise(RiseSeen.PEAK, 60.0), IdleQuality.SMOOTH, 40.0, 2600.0, 800.0)
    centre = tuple(2.0 if name in ("exhaust_scale", "idle_gain") else 0.0 for name in POOLED)
    expert, pooled = (aims(gather(installation, [run], prior)) for prior in (EXPERT, EnginePrior(centre, EXPERT.root)))
    for one, other in zip(expert, pooled, strict=True):
        assert other.middle == pytest.approx(one.middle, abs=0.05 * one.unit)
        assert other.unit == pytest.approx(one.unit, rel=1e-6)


def test_what_was_read_with_other_parts_does_not_count(installation: Installation) -> None:
    """A changed propeller leaves the aims where they were before any run."""
    log: list[Entry] = [Run(_AIR, ExhaustRise(RiseSeen.PEAK, 60.0), static_rpm=2600.0), ChangePart(Part.PROPELLER)]
    aimed = aims(gather(installation, [*log, Run(_AIR, idle_quality=IdleQuality.SMOOTH)]))
    assert (aimed.full.bend, aimed.static_rpm.bend) == (0.0, 0.0)
    assert aimed.idle.bend > 0.0


def test_readings_that_disagree_have_no_tails(installation: Installation) -> None:
    """Two static speeds far apart: between them, as wide as they scatter, hardly bent."""
    log = [Run(_AIR, static_rpm=x) for x in (2450.0, 2650.0)]
    aimed = aims(gather(installation, log)).static_rpm
    apart = math.log(2650.0 / 2450.0)
    assert 0.4 * apart < aimed.unit * math.sqrt(2.0) < 0.7 * apart
    assert aimed.bend < 0.1


@given(strategies.logs)
def test_any_log_has_aims(log: list[Entry]) -> None:
    """Whatever was recorded they are finite, no wider than what was believed before, and never bent the other way."""
    evidence = gather(installation_from(None).record(), _known(log))
    aimed = aims(evidence)
    assert np.isfinite(np.array(aimed)).all()
    assert all(each.unit > 0.0 for each in aimed)
    assert all(0.0 <= each.bend <= BEND for each in aimed)
    assert aimed.idle_rpm.unit <= PRIORS["idle_rpm"].spread * (1.0 + 1e-9)


def _known(log: list[Entry]) -> list[Entry]:
    """Without needles that this installation does not have."""
    return [entry for entry in log if not hasattr(entry, "needle")]


@pytest.mark.slow
@pytest.mark.parametrize("name", ["single 30", "one kind each 18", "one kind each 48"])
def test_what_one_reading_tells_is_sampled_well(recommender: Recommender, name: str) -> None:
    """Logs in which one reading that may be a misreading is all there is: effective sizes as they must be, bulk and
    tail, from three seeds each at 4 x 1,000 draws.
    """
    sent = installation_from(None)
    log = next(h.entries for h in histories(sent, 50, 1) if h.name == name)
    evidence = gather(sent.record(), log)
    for seed in range(3):
        told = recommender.sampler.fit_once(evidence, seed, {**FIRST_TRY, "draws": 1000}).diagnostics
        assert told.divergences == 0
        assert min(told.ess_bulk_min, told.ess_tail_min) > ESS_LEAST
