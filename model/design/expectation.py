"""What the next run should show, in one sentence, in plain units (both °F and °C where it is a temperature)."""

from taperwise.model.physics.idle_words import IDLE_LEVELS
from taperwise.shared.recommendation import Action, ActionKind, Prediction, Stage

__all__ = ["IDLE_WORDS", "expectation"]

IDLE_WORDS = tuple(level.name for level in IDLE_LEVELS.values())
"""The five idle judgements, leanest first."""

_CLEAR = 0.5  # chance from which an outcome is what to expect


def _rise(p: Prediction) -> str:
    if p.fell_at_once_chance > _CLEAR:
        return f"EGT likely falls at once on leaning ({p.fell_at_once_chance:.0%})"
    if p.rough_before_peak_chance > _CLEAR:
        return f"the engine likely runs rough before a peak is found ({p.rough_before_peak_chance:.0%})"
    low, mid, high = (x * 1.8 for x in (p.rise_kelvin.low_90, p.rise_kelvin.median, p.rise_kelvin.high_90))
    return (
        f"on leaning, EGT should rise about {mid:.0f} °F ({mid / 1.8:.0f} °C) to its peak, "
        f"nine times in ten between {low:.0f} and {high:.0f} °F"
    )


def _idle(p: Prediction) -> str:
    best = max(range(5), key=lambda i: p.idle_quality[i])
    return f"the idle is most likely {IDLE_WORDS[best]} ({p.idle_quality[best]:.0%})"


def expectation(action: Action, p: Prediction, stage: Stage) -> str:
    """What to expect to see in the next run.

    Parameters
    ----------
    action : Action
    p : Prediction
        At the setting the action leaves.
    """
    if action.kind is ActionKind.KEEP:
        return f"At this setting {_rise(p)}; {_idle(p)}."
    if stage is Stage.FULL_THROTTLE or action.kind is ActionKind.CHANGE_NEEDLE:
        parts = [_rise(p), _idle(p)]
    elif stage is Stage.IDLE_MIXTURE:
        parts = [_idle(p), _rise(p)]
    else:
        parts = [f"idle speed should read about {p.idle_rpm.median:.0f} rpm", _idle(p)]
    text = "; ".join(parts)
    return text[0].upper() + text[1:] + "."
