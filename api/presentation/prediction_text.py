"""What a run should show, in sentences, in the installation's units."""

from taperwise.api.presentation.formatting import chance, sign
from taperwise.api.presentation.idle_text import IDLE_LEVELS
from taperwise.api.schemas.recommendation import PredictionOut
from taperwise.shared.runs import IdleQuality

__all__ = ["idle_line", "lines", "rise_line", "speed_line"]

_CLEAR = 0.5  # chance from which an outcome is what to expect


def rise_line(p: PredictionOut) -> str:
    """What leaning at full throttle should show."""
    if p.fell_at_once_chance > _CLEAR:
        how = chance(p.fell_at_once_chance)
        return f"On leaning, EGT should fall at once ({how} chance): too lean. Then stop, and go back to full rich."
    if p.rough_before_peak_chance > _CLEAR:
        how = chance(p.rough_before_peak_chance)
        return f"On leaning, the engine should run rough before EGT peaks ({how} chance): far too rich."
    unit, (low, high) = sign(p.egt_rise.unit), p.egt_rise.interval_90
    return (
        f"On leaning, EGT should rise about {p.egt_rise.median:z.0f} {unit} to its peak, between {low:z.0f} and "
        f"{high:z.0f} {unit} (9 times in 10)."
    )


def idle_line(p: PredictionOut) -> str:
    """How it should idle."""
    best = max(p.idle_quality, key=lambda name: p.idle_quality[name])
    level = IDLE_LEVELS[IdleQuality[best.upper()]]
    return f"The idle should be {level.name} ({chance(p.idle_quality[best])} chance). {level.looks}"


def speed_line(p: PredictionOut) -> str:
    """How fast it should idle."""
    low, high = p.idle_rpm.interval_90
    return (
        f"Idle speed should read about {p.idle_rpm.median:z.0f} rpm, between {low:z.0f} and {high:z.0f} rpm "
        "(9 times in 10)."
    )


def lines(p: PredictionOut, stage: str, kind: str) -> list[str]:
    """What to expect, what matters most first.

    Parameters
    ----------
    p : PredictionOut
        At the setting the step leaves.
    stage, kind : str
        Of the tuning, and of the step.
    """
    if stage == "full_throttle" or kind == "change_needle":
        return [rise_line(p), idle_line(p)]
    if stage == "idle_mixture":
        return [idle_line(p), rise_line(p)]
    return [speed_line(p), idle_line(p), rise_line(p)]
