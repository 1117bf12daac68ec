import pytest
from hypothesis import given

from model.evidence import gather, replay
from model.priors import CHANGES
from shared.errors import UnknownNeedleError
from shared.records import ChangeNeedle, ChangePart, Entry, Fuel, Installation, Part, TurnIdleStop, TurnScrew
from shared.runs import Air, IdleQuality, Run
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
    with pytest.raises(UnknownNeedleError, match=r"taper 99.*On hand: taper 28\.2"):
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
