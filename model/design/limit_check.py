"""Limits of the engine watched in every run: what was exceeded, and whether somebody has found out why."""

from taperwise.model.design import wording
from taperwise.model.inference.dataset import Evidence
from taperwise.shared.recommendation import Action, ActionKind, InspectCause
from taperwise.shared.records import Installation
from taperwise.shared.runs import Run

__all__ = ["exceeded", "limit_action"]


def exceeded(run: Run, installation: Installation) -> tuple[str, ...]:
    """What one run exceeded, in words; nothing where no limit was given or reached.

    Parameters
    ----------
    run : Run
    installation : Installation
        Its `watch` holds the limits.
    """
    seen, limit = run.highest, installation.watch
    speeds = [x for x in (seen.rpm, run.static_rpm) if x is not None]
    temperatures = (
        ("cylinder head temperature", seen.cht_kelvin, limit.cht_kelvin),
        ("exhaust gas temperature", seen.egt_kelvin, limit.egt_kelvin),
    )
    found = [
        f"{name} reached {wording.temperature(x)}, above the limit of {wording.temperature(most)}"
        for name, x, most in temperatures
        if x is not None and most is not None and x > most
    ]
    if speeds and limit.rpm is not None and max(speeds) > limit.rpm:
        found.append(f"speed reached {max(speeds):.0f} rpm, above the limit of {limit.rpm:.0f} rpm")
    return tuple(found)


def limit_action(evidence: Evidence) -> Action | None:
    """What to do instead of the next step while a limit was exceeded and nobody has said why; None if all is well."""
    found = [words for run in evidence.since_acknowledged for words in exceeded(run, evidence.installation)]
    if not found:
        return None
    said = "; ".join(dict.fromkeys(found))
    return Action(
        ActionKind.INSPECT,
        f"Stop: {said}. Shut down, let it cool, find the cause and do what the engine's instructions ask for. "
        "No step is suggested until the cause is acknowledged in the record.",
        cause=InspectCause.LIMIT_EXCEEDED,
    )
