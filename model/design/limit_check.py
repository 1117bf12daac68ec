"""What is watched beside the mixture: limits of the engine, the static speed its owner expects, the fuel supply."""

import numpy as np

from taperwise.model.design import actions
from taperwise.model.inference.dataset import Evidence
from taperwise.model.prediction.setting_draws import SettingDraws, chance
from taperwise.shared.reasons import Exceeded, InspectCause, Inspection, Watched
from taperwise.shared.recommendation import Action
from taperwise.shared.records import Installation
from taperwise.shared.runs import RiseSeen, Run

__all__ = ["exceeded", "limit_action", "static_speed_action", "stuck_rise_action"]

_MARGIN = 0.01  # of the band's ends: weather and tachometer; judgement
_SURE = 0.9  # chance outside the band from which it is told; judgement
_STUCK_RUNS = 3  # runs that read the rise, from which it may be called stuck; judgement
_STUCK_TURNS = 0.5  # turns richer between the first and the last of them; judgement
_STUCK_KELVIN = 10.0  # growth of the rise meanwhile that is none: as far as one gauge reading is off; judgement


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


def stuck_rise_action(evidence: Evidence) -> Action | None:
    """What to look at where the rise stays below its band though the mixture was turned richer; None where it grew.

    A needle gives no fuel that does not arrive. So the fuel supply comes before another turn and before another needle
    (common practice, no published source). A fall at once is no rise: it does not say how far the peak is, so it cannot
    say that nothing moved.
    """
    here, lowest = evidence.position, evidence.installation.targets.rise_kelvin[0]
    latest = evidence.trail[len(evidence.trail) - len(evidence.since_acknowledged) :]
    read = [
        (position.turns, run.rise.kelvin)
        for position, run in latest
        if position.changes == here.changes and run.rise is not None and run.rise.seen is RiseSeen.PEAK
    ]
    if len(read) < _STUCK_RUNS or max(kelvin for _, kelvin in read) >= lowest:
        return None
    (begun, before), (ended, after) = read[0], read[-1]
    if ended - begun < _STUCK_TURNS - 1e-9 or after - before >= _STUCK_KELVIN:
        return None
    told = Inspection(InspectCause.RISE_STUCK, richer_turns=ended - begun, rises_kelvin=(before, after))
    return actions.inspect(told)
