"""What the next run should read: which kind of reading would shorten the way most, and which may be left out."""

from taperwise.model.design.candidates import CandidateSet, EvaluatedCandidate
from taperwise.shared.meters import meters
from taperwise.shared.outlook import ReadingWorth
from taperwise.shared.records import Fuel, Installation

__all__ = ["readings_worth"]

_SEEN = ("rise", "idle_quality", "idle_rpm_rise", "static_rpm", "power_rpm_rise")
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
    price, usual = weighing.price_with, weighing.channels
    if price is None:
        return ()
    names = [*_SEEN, *(m.name for m in meters() if m.name != _UNLEADED_ONLY or installation.fuel is not Fuel.AVGAS)]
    as_usual = price(chosen, usual)
    found = []
    for name in names:
        other = price(chosen, usual ^ {name})
        found.append(ReadingWorth(name, name in usual, other - as_usual if name in usual else as_usual - other))
    return tuple(sorted(found, key=lambda each: -each.runs_saved))
