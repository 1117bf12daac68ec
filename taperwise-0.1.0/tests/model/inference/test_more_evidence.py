"""What the further kinds of reading teach, through the real model."""

import dataclasses

import numpy as np
import pytest

from taperwise.model.inference.dataset import gather
from taperwise.model.physics.air import density_ratio_at
from taperwise.model.recommender import Learned, Recommender
from taperwise.shared.records import Engine, Entry, Installation, Targets, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run, Sureness

_AIR = Air(288.15, 101_325.0)
_RISE = ExhaustRise(RiseSeen.PEAK, 60.0)


def _width(learned: Learned) -> float:
    offset = learned.confidence.offset_turns
    return offset.high_90 - offset.low_90


def test_lambda_tells_rich_from_lean(recommender: Recommender, installation: Installation) -> None:
    """With nothing but lambda, 0.85 is taken for richer than 0.95 (by the definition of lambda, 1/phi)."""
    rich, lean = (recommender.learn(installation, [Run(_AIR, meters=(("lambda_full_rich", x),))]) for x in (0.85, 0.95))
    assert rich.confidence.offset_turns.median < lean.confidence.offset_turns.median
    assert np.median(np.exp(rich.now.full)) == pytest.approx(1 / 0.85, abs=0.05)


@pytest.mark.slow
def test_lambda_and_flow_narrow_the_offset(recommender: Recommender, installation: Installation) -> None:
    """Readings of the engine as a whole add to what the rise says."""
    rise = Run(_AIR, rise=_RISE)
    log: list[Entry] = [rise, TurnScrew(-0.125), rise]
    plain = _width(recommender.learn(installation, log))
    with_lambda = dataclasses.replace(rise, meters=(("lambda_full_rich", 0.89),))
    assert _width(recommender.learn(installation, [with_lambda, TurnScrew(-0.125), with_lambda])) < plain


def test_flow_follows_a_turn(recommender: Recommender, installation: Installation) -> None:
    """A fuel flow that rose by 4 % after a turn is a mixture that rose by about as much."""
    first = Run(_AIR, meters=(("fuel_flow", 1.0e-5),))
    log: list[Entry] = [first, TurnScrew(0.125), dataclasses.replace(first, meters=(("fuel_flow", 1.03e-5),))]
    learned = recommender.learn(installation, log)
    now, before = (recommender.what_if(learned.posterior, turns=t).mixture_full_throttle.median for t in (0.0, -0.125))
    assert now / before == pytest.approx(1.03, abs=0.02)


def test_a_rise_to_best_power_is_a_rich_engine(recommender: Recommender, installation: Installation) -> None:
    """Speed that climbs a good deal on leaning was held down by a rich mixture; with a calculated cycle behind it."""
    none, much = (recommender.learn(installation, [Run(_AIR, power_rpm_rise=x)]) for x in (0.0, 60.0))
    assert np.median(much.now.full) > np.median(none.now.full) + 0.05


@pytest.mark.slow
def test_a_known_propeller_makes_a_slow_static_speed_telling(
    recommender: Recommender, installation: Installation
) -> None:
    """Where a band of static speed is known, a speed far below it says more about the mixture."""
    band = dataclasses.replace(installation, targets=Targets(static_rpm=(2780.0, 2830.0)))
    slow = Run(_AIR, static_rpm=2640.0)
    away = [np.median(np.abs(recommender.learn(each, [slow]).now.full - 0.08)) for each in (installation, band)]
    assert away[1] > away[0]


def test_a_guess_counts_for_less(recommender: Recommender, installation: Installation) -> None:
    """The less sure the reader is, the less a run narrows the offset."""
    run = Run(_AIR, rise=_RISE, idle_quality=IdleQuality.SMOOTH)
    widths = [_width(recommender.learn(installation, [dataclasses.replace(run, sureness=s)])) for s in Sureness]
    assert widths == sorted(widths)
    assert widths[2] > 1.2 * widths[0]


def test_a_traced_rise_does_not_depend_on_the_reporter(recommender: Recommender, installation: Installation) -> None:
    """What was read from a trace keeps its own error, however unsure the reader was of the rest."""
    run = Run(_AIR, rise=dataclasses.replace(_RISE, error_kelvin=2.0))
    sure, guess = (recommender.learn(installation, [dataclasses.replace(run, sureness=s)]) for s in ("sure", "guess"))
    assert sure.confidence == guess.confidence


def test_unseen_cylinders_raise_the_lean_chance(recommender: Recommender, installation: Installation) -> None:
    """Near the peak, an engine of which one cylinder is seen may be lean in another one."""
    log = [Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, 6.0))]
    one, all_four = (
        recommender.learn(dataclasses.replace(installation, engine=Engine(egt_probes=n)), log) for n in (1, 4)
    )
    assert one.confidence.lean_chance > all_four.confidence.lean_chance + 0.05
    assert one.confidence.full_throttle.chance_in_band == pytest.approx(
        all_four.confidence.full_throttle.chance_in_band, abs=0.02
    )


@pytest.mark.slow
def test_a_wide_spread_is_learned(recommender: Recommender, installation: Installation) -> None:
    """A spread of 40 K among four cylinders moves the mean of the engine away from its leanest cylinder."""
    rise = ExhaustRise(RiseSeen.PEAK, 60.0, 2.0, 4, 40.0)
    learned = recommender.learn(installation, [Run(_AIR, rise=rise)] * 2)
    gap = np.median(learned.posterior.unknowns.cylinder_gap)
    assert gap == pytest.approx(40.0 / (1002 / 1.8), rel=0.35)


@pytest.mark.slow
def test_days_of_different_air_teach_the_exponent(recommender: Recommender, installation: Installation) -> None:
    """Runs in thin and in thick air at one setting narrow the density exponent; runs in one air do not."""
    thin, thick = Air(305.0, 80_000.0), Air(263.0, 103_000.0)

    def log(*airs: Air) -> list[Entry]:
        # rises that fit an exponent near one half: phi up by 9 % from thick to thin
        rises = {thick: 60.0, thin: 105.0, _AIR: 75.0}
        return [Run(a, rise=ExhaustRise(RiseSeen.PEAK, rises[a], 2.0)) for a in airs]

    def spread(*airs: Air) -> float:
        evidence = gather(installation, log(*airs))
        return float(np.std(recommender.sampler.fit(evidence, recommender.seed).unknowns.density_exponent))

    assert spread(*[thin, thick] * 3) < 0.8 * spread(*[_AIR] * 6)


def test_predictions_over_density_altitude(recommender: Recommender, installation: Installation) -> None:
    """The higher, the richer: phi with density to a power between −1/2 and −1 (Bernoulli), so between the two."""
    learned = recommender.learn(installation, [Run(_AIR, rise=_RISE)])
    low, high = (
        recommender.what_if(learned.posterior, density=density_ratio_at(h)).mixture_full_throttle.median
        for h in (0.0, 2438.4)
    )
    # sigma 0.7861 at 8,000 ft, US Standard Atmosphere 1976 (`fluids` and `ambiance` agree)
    assert 0.7861**-0.5 < high / low < 0.7861**-1.0
