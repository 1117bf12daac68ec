"""Limits of the engine watched in every run: what was exceeded, and whether somebody has found out why."""

from taperwise.model.design import actions
from taperwise.model.inference.dataset import Evidence
from taperwise.shared.reasons import Exceeded, InspectCause, Inspection, Watched
from taperwise.shared.recommendation import Action
from taperwise.shared.records import Installation
from taperwise.shared.runs import Run

__all__ = ["exceeded", "limit_action"]


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
