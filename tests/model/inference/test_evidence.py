import math

import numpy as np
import pytest
from hypothesis import given

from taperwise.model.inference import sampler
from taperwise.model.inference.dataset import MOST_RUNS, gather, replay
from taperwise.model.inference.sampler import Sampler
from taperwise.model.physics.air import STANDARD, density_ratio
from taperwise.model.physics.priors import CHANGES
from taperwise.model.prediction.setting_draws import predict_settings, right_at
from taperwise.model.recommender import Recommender
from taperwise.shared.errors import UnknownNeedleError
from taperwise.shared.recommendation import Diagnostics
from taperwise.shared.records import ChangeNeedle, ChangePart, Entry, Fuel, Installation, Part, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests import strategies
from tests.conftest import NEEDLES

_AIR = Air(288.15, 101_325.0)
_RUN = Run(_AIR, idle_quality=IdleQuality.SMOOTH)


def test_the_screw_position_is_cumulative(installation: Installation) -> None:
    """Turns add up from the mark; the idle stop is counted on its own."""
    now, trail = replay(installation, [_RUN, TurnScrew(0.125), TurnScrew(0.25), TurnIdleStop(-0.25), _RUN])
    assert (now.turns, now.idle_stop_turns, now.needle) == (0.375, -0.25, "taper 30.0")
    assert [position.turns for position, _ in trail] == [0.0, 0.375]


def test_a_new_needle_starts_at_its_mark(installation: Installation) -> None:
    """Fitting a needle sets the position to its mark, or to what was turned on from there."""
    now, _ = replay(installation, [TurnScrew(0.5), ChangeNeedle("taper 30.6", -0.125)])
    assert (now.turns, now.needle) == (-0.125, "taper 30.6")


def test_a_needle_fitted_again_is_the_same_needle(installation: Installation) -> None:
    """Its slope error is shared by all its runs, its mark is set anew each time."""
    now, _ = replay(installation, [ChangeNeedle("taper 30.6"), ChangeNeedle("taper 30.0")])
    assert (now.needle_change, now.mark_change) == (0, 2)


def test_a_changed_fuel_is_known_from_stoichiometry(installation: Installation) -> None:
    """Petrol with ethanol is leaner by 4 % on the same hardware (calculated: AFR times root of density)."""
    evidence = gather(installation, [_RUN, ChangePart(Part.FUEL, Fuel.MOGAS_E10), _RUN])
    assert sorted(evidence.settings.ln_fuel) == pytest.approx([-0.0408, 0.0], abs=1e-4)


def test_an_unknown_needle_is_refused(installation: Installation) -> None:
    """A needle that is not on hand is named, with those that are."""
    with pytest.raises(UnknownNeedleError, match=r"taper 99.*Your needles: taper 28\.2"):
        gather(installation, [ChangeNeedle("taper 99")])


def test_very_early_runs_are_left_out_and_counted(installation: Installation) -> None:
    """Beyond the changes that are held apart, the oldest runs are left out, never silently."""
    log: list[Entry] = [_RUN]
    for i in range(CHANGES + 1):
        log += [ChangeNeedle(NEEDLES[i % 2].label), _RUN]
    evidence = gather(installation, log)
    assert (evidence.runs, evidence.runs_used) == (CHANGES + 2, CHANGES)


@given(strategies.logs)
def test_any_log_is_laid_out(log: list[Entry]) -> None:
    """Every run is counted, and each row belongs to one needle."""
    evidence = gather(Installation(NEEDLES, "taper 30.0"), log)
    assert evidence.runs == sum(isinstance(entry, Run) for entry in log)
    assert (evidence.settings.slope_load.sum(axis=1) == 1.0).all()
    assert evidence.runs_used <= evidence.runs


def test_settings_are_judged_in_the_middle_of_the_days(installation: Installation) -> None:
    """The air of all late runs counts, at whichever setting; the pivot keeps to the air of its own runs."""
    airs = [Air(kelvin, 100_000.0) for kelvin in (278.15, 288.15, 298.15)]
    log: list[Entry] = [Run(airs[0], idle_quality=IdleQuality.SMOOTH), TurnScrew(0.125)]
    log += [Run(air, idle_quality=IdleQuality.SMOOTH) for air in airs[1:]]
    evidence = gather(installation, log)
    each = [math.log(density_ratio(air)) for air in airs]
    assert evidence.conditions.ln_density == pytest.approx(np.mean(each))
    assert evidence.pivot.ln_density[0] == pytest.approx(np.mean(each[1:]))
    scatter = (0.015**2 + 3 * np.var(each)) / 3
    assert evidence.ln_density_error == pytest.approx(math.sqrt(scatter / 3))
    assert (gather(installation, ()).conditions, gather(installation, ()).ln_density_error) == (STANDARD, 0.0)
    old = [Run(airs[0], idle_quality=IdleQuality.SMOOTH)] * 3 + [Run(airs[2], idle_quality=IdleQuality.SMOOTH)] * 12
    assert gather(installation, old).conditions.ln_density == pytest.approx(each[2])


def test_the_pivot_is_half_way_along_what_is_fitted(installation: Installation) -> None:
    """Of the runs since the latest change the one in the middle, wherever the screw stands by now."""
    run, turn = Run(Air(288.15, 100_000.0), idle_quality=IdleQuality.SMOOTH), TurnScrew(-0.25)
    before: list[Entry] = [run, turn, run, ChangePart(Part.PROPELLER)]
    log: list[Entry] = [*before, run, turn, run, turn, run, turn, run]
    turns = gather(installation, log).pivot.needle_m / installation.throttle_body.screw_pitch_m
    assert turns == pytest.approx([-0.75])
    assert gather(installation, before[:3]).pivot.needle_m == gather(installation, [turn, run]).pivot.needle_m


def test_an_unknown_air_makes_claims_more_careful(recorded: Recommender, installation: Installation) -> None:
    """The same draws, judged with an error of the air: a setting in the middle of its band is less surely there."""
    run = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 100 / 1.8), idle_quality=IdleQuality.SMOOTH)
    posterior = recorded.sampler.fit(gather(installation, [run] * 6), recorded.seed)
    at = [posterior.evidence.position]
    sure, unsure = (predict_settings(posterior, at, STANDARD, error)[0] for error in (0.0, 0.08))
    assert unsure.full_right.mean() < sure.full_right.mean() - 0.02
    np.testing.assert_array_equal(unsure.rise, sure.rise)
    both = [right_at(posterior, at, STANDARD, error).both[:, 0] for error in (0.0, 0.08)]
    for outlook, right in zip((sure, unsure), both, strict=True):
        np.testing.assert_array_equal(right, outlook.full_right & outlook.idle_right)


@pytest.mark.parametrize("runs", [MOST_RUNS - 1, MOST_RUNS, MOST_RUNS + 1, 1000])
def test_a_long_log_rests_on_its_latest_runs(installation: Installation, runs: int) -> None:
    """Of a thousand runs the posterior is learned from the latest sixty, and the rest are counted as left out."""
    early = Run(_AIR, idle_quality=IdleQuality.RICH_LOADING_UP)
    entries = [early] * (runs - MOST_RUNS) + [_RUN] * min(runs, MOST_RUNS)
    evidence = gather(installation, entries)
    assert (evidence.runs, evidence.runs_used) == (runs, min(runs, MOST_RUNS))
    latest = gather(installation, [_RUN] * min(runs, MOST_RUNS))
    np.testing.assert_equal(vars(evidence.readings), vars(latest.readings))


@pytest.mark.parametrize(("runs", "steps"), [(30, None), (31, 4), (1000, 4)])
def test_a_long_log_is_not_drawn_without_end(
    installation: Installation, monkeypatch: pytest.MonkeyPatch, runs: int, steps: int | None
) -> None:
    """However its readings contradict each other: both tries have a bound on their steps; ordinary logs keep theirs."""
    tried = []

    class Drawn:
        columns, divergences, steps = None, 1, None

        def unknowns(self) -> None:
            """None."""

    def sample(_compiled: object, _cores: int, _seed: int, options: dict[str, object]) -> Drawn:
        tried.append(options.get("maxdepth"))
        return Drawn()

    monkeypatch.setattr(sampler, "_sample", sample)
    monkeypatch.setattr(sampler, "_sample_at_most", lambda _most, *given: sample(*given))
    monkeypatch.setattr(sampler, "diagnose", lambda *_: Diagnostics(2.0, 1.0, 1.0, 1, 4, 1000, 1, False))
    monkeypatch.setattr(Sampler, "_fed", lambda *_: None)
    Sampler().fit(gather(installation, [_RUN] * runs), 7)
    assert tried == [4, steps]
