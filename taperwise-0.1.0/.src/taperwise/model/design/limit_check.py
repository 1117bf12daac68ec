"""What is watched beside the mixture: limits of the engine, and the static speed its owner expects."""

import numpy as np

from taperwise.model.design import actions
from taperwise.model.inference.dataset import Evidence
from taperwise.model.prediction.setting_draws import SettingDraws, chance
from taperwise.shared.reasons import Exceeded, InspectCause, Inspection, Watched
from taperwise.shared.recommendation import Action
from taperwise.shared.records import Installation
from taperwise.shared.runs import Run

__all__ = ["exceeded", "limit_action", "static_speed_action"]

_MARGIN = 0.01  # of the band's ends: weather and tachometer; judgement
_SURE = 0.9  # chance outside the band from which it is told; judgement


def exceeded(run: Run, installation: Installation) -> tuple[Exceeded, ...]:
    """What one run exceeded; nothing where no limit was given or reached.

    Parameters
    ----------
    run : Run
    installation : Installation
        Its `watch` holds the limits.
    """
    seen, limit = run.highest, installation.watch
    speeds = [x for x in (seen.rpm, run.static_rpm) if x is not None]
    reached = (
        (Watched.HEAD_TEMPERATURE, seen.cht_kelvin, limit.cht_kelvin),
        (Watched.EXHAUST_TEMPERATURE, seen.egt_kelvin, limit.egt_kelvin),
        (Watched.SPEED, max(speeds, default=None), limit.rpm),
    )
    return tuple(
        Exceeded(quantity, x, most) for quantity, x, most in reached if x is not None and most is not None and x > most
    )


def limit_action(evidence: Evidence) -> Action | None:
    """What to do instead of the next step while a limit was exceeded and nobody has said why; None if all is well."""
    found = [each for run in evidence.since_acknowledged for each in exceeded(run, evidence.installation)]
    if not found:
        return None
    return actions.inspect(Inspection(InspectCause.LIMIT_EXCEEDED, exceeded=tuple(dict.fromkeys(found))))


def static_speed_action(now: SettingDraws, evidence: Evidence) -> Action | None:
    """What to look at where the static speed is outside the owner's band and nobody has said why; None if it is not.

    Propeller, throttle stop, induction and tachometer come before a mixture is called right.
    """
    band = evidence.installation.targets.static_rpm
    if band is None or not evidence.static_speed_told:
        return None
    outside = (now.static_rpm < (1.0 - _MARGIN) * band[0]) | (now.static_rpm > (1.0 + _MARGIN) * band[1])
    if chance(outside) < _SURE:
        return None
    told = Inspection(InspectCause.STATIC_SPEED_OUT, static_rpm=float(np.median(now.static_rpm)), static_rpm_band=band)
    return actions.inspect(told)
