"""What the next run should read: which kind of reading would shorten the way most, and which may be left out."""

from taperwise.model.design.candidates import CandidateSet, EvaluatedCandidate
from taperwise.model.design.ground_run import READABLE
from taperwise.shared.meters import meters
from taperwise.shared.outlook import ReadingWorth
from taperwise.shared.records import Fuel, Installation

__all__ = ["readings_worth"]

_UNLEADED_ONLY = "lambda_full_rich"  # a probe that lead poisons


def readings_worth(
    weighing: CandidateSet, chosen: EvaluatedCandidate, installation: Installation
) -> tuple[ReadingWorth, ...]:
    """What each kind of reading saves in the run after a step, the most useful first; empty where none was simulated.

    A kind that is usually read is held against a run without it, any other against a run with it besides. Idle speed is
    not looked at: it is always to be read, since nothing else tells of it.

    Parameters
    ----------
    weighing : CandidateSet
    chosen : EvaluatedCandidate
        The step after which the run is made.
    installation : Installation
    """
    runs, usual = weighing.runs_with, weighing.channels
    if runs is None:
        return ()
    names = [*READABLE, *(m.name for m in meters() if m.name != _UNLEADED_ONLY or installation.fuel is not Fuel.AVGAS)]
    as_usual = runs(chosen, usual)
    found = []
    for name in names:
        other = runs(chosen, usual ^ {name})
        saved = other - as_usual if name in usual else as_usual - other
        found.append(ReadingWorth(name, name in usual, max(0.0, saved)))  # below nought by chance only
    return tuple(sorted(found, key=lambda each: -each.runs_saved))
