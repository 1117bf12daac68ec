"""What people read after they recorded something: its meaning, what is unusual, and where the next step is."""

from taperwise.api.presentation.formatting import fraction
from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.api.schemas.run import RunIn
from taperwise.shared.records import Adjustment, Installation, Targets, TurnIdleStop, TurnScrew

__all__ = [
    "ANSWER_BEING_MADE",
    "ANSWER_WHEN_ASKED",
    "NOTHING_RUN_SINCE",
    "NO_SUGGESTION",
    "getting_ready",
    "in_line",
    "run_means",
    "step_warnings",
    "still_calculated",
]

NOTHING_RUN_SINCE = "Saved. There was no run since you last recorded a cause."
ANSWER_WHEN_ASKED = "Saved. The next step is calculated when you request the suggestion."
ANSWER_BEING_MADE = "Saved. The next step is being calculated. Request the suggestion in a moment."
NO_SUGGESTION = (
    "Saved, but no next step could be calculated. Request the suggestion again. Until there is one, change nothing."
)


def getting_ready(seconds: int) -> str:
    """The answer has to wait until the model is ready."""
    return f"Saved. The model is getting ready: about {seconds} s left. Request the next step then."


def in_line(what: str, when: str) -> str:
    """The answer, or others before it, are being made: what goes on, as `still_calculated` says it, and until when."""
    return f"Saved. {what}. Request the next step {when}."


def still_calculated(ahead: int, seconds: int | None) -> str:
    """What goes on before a result is there, as a sentence without its full stop.

    Parameters
    ----------
    ahead : int
        Other results that are calculated first.
    seconds : int or None
        Until this one is there, estimated [s]; None where what is calculated now takes longer than usual.
    """
    left = ". This takes longer than usual" if seconds is None else f", about {seconds} s left"
    if not ahead:
        return f"Your result is being calculated{left}"
    return f"Before yours, {'1 other result is' if ahead == 1 else f'{ahead} other results are'} calculated{left}"


def run_means(run: RunIn, targets: Targets) -> list[str]:
    """What single readings of a run mean to an owner with these targets."""
    found = [(each.means, each.of(run)) for each in OBSERVATIONS if each.means is not None]
    return [means(value.si(), targets) for means, value in found if value is not None]


def step_warnings(adjustment: Adjustment, installation: Installation) -> list[str]:
    """Warnings about an adjustment that was made and is recorded all the same."""
    most = installation.limits.largest_turns
    if isinstance(adjustment, TurnScrew | TurnIdleStop) and abs(adjustment.turns) > most + 1e-9:
        leaner = isinstance(adjustment, TurnScrew) and adjustment.turns < 0
        danger = " A large lean step can destroy an engine at full throttle." if leaner else ""
        return [
            f"Saved: {fraction(adjustment.turns)}. That is more than the step limit of {fraction(most)}.{danger} Large "
            "steps can overshoot and tell you less. Use smaller steps."
        ]
    return []
