"""The rule of thumb, as a policy to compare with. Common practice, no published source.

Rise below the band: an eighth out; fell at once: a quarter out; above the band: an eighth in;
several hundred degrees: a quarter in. With full throttle right, rich at idle wants the next steeper
needle, lean at idle the next shallower one. Done when both look right once.
"""

from taperwise.model.physics.needle_set import needle_set
from taperwise.shared.records import Adjustment, ChangeNeedle, Installation, TurnIdleStop, TurnScrew
from taperwise.shared.runs import IdleQuality, RiseSeen, Run

__all__ = ["SEVERAL_HUNDRED_KELVIN", "next_adjustment"]

SEVERAL_HUNDRED_KELVIN = 300 / 1.8
"""Rise from which the rule turns a quarter [K]."""


def _screw(run: Run, installation: Installation) -> Adjustment | None:
    small, large = installation.limits.quantum_turns, installation.limits.largest_turns
    low, high = installation.targets.rise_kelvin
    rise = run.rise
    if rise is None:
        return None
    if rise.seen is RiseSeen.FELL_AT_ONCE:
        return TurnScrew(large)
    if rise.seen is RiseSeen.ROUGH_BEFORE_PEAK or rise.kelvin >= SEVERAL_HUNDRED_KELVIN:
        return TurnScrew(-large)
    if rise.kelvin < low:
        return TurnScrew(small)
    return TurnScrew(-small) if rise.kelvin > high else None


def _needle(run: Run, fitted: str, installation: Installation) -> Adjustment | None:
    quality = run.idle_quality
    if quality is None or quality is IdleQuality.SMOOTH:
        return None
    slopes = needle_set(installation).slopes
    slope, rich = slopes[fitted], quality > IdleQuality.SMOOTH
    side = [label for label, other in slopes.items() if (other > slope) == rich and other != slope]
    if not side:
        return None
    return ChangeNeedle(min(side, key=lambda label: abs(slopes[label] - slope)))


def next_adjustment(run: Run, fitted: str, installation: Installation) -> Adjustment | None:
    """What the rule does after a run.

    Parameters
    ----------
    run : Run
    fitted : str
        Label of the needle fitted.

    Returns
    -------
    Adjustment or None
        None when the rule calls it done, or has no needle left to try.
    """
    found = _screw(run, installation) or _needle(run, fitted, installation)
    if found is not None or run.idle_rpm is None:
        return found
    low, high = installation.targets.idle_rpm
    step = installation.limits.largest_turns
    return TurnIdleStop(step) if run.idle_rpm < low else TurnIdleStop(-step) if run.idle_rpm > high else None
