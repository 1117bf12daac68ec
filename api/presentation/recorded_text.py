"""What is said when something was recorded: what it means, what is unusual about it, where the answer is."""

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
]

NOTHING_RUN_SINCE = "Nothing was run since the last one; it is recorded anyway."
ANSWER_WHEN_ASKED = "It is recorded; its answer is made when the suggestion is asked for."
ANSWER_BEING_MADE = "It is recorded, and its answer is being made. Ask for the suggestion in a moment."
NO_SUGGESTION = (
    "It is recorded, but no suggestion could be made from it. Ask for the suggestion again; until there is one, change "
    "nothing."
)


def getting_ready(seconds: int) -> str:
    """The answer has to wait until the model is ready."""
    return f"Recorded. The model is being made ready, about {seconds} s left. Ask for the next step then."


def in_line(ahead: int, seconds: int) -> str:
    """Other answers are made first."""
    results = "1 other result is" if ahead == 1 else f"{ahead} other results are"
    return f"Recorded. Before yours, {results} calculated, about {seconds} s. Ask for the next step then."


def run_means(run: RunIn, targets: Targets) -> list[str]:
    """What single readings of a run mean to an owner with these targets."""
    found = [(each.means, each.of(run)) for each in OBSERVATIONS if each.means is not None]
    return [means(value.si(), targets) for means, value in found if value is not None]


def step_warnings(adjustment: Adjustment, installation: Installation) -> list[str]:
    """Warnings about an adjustment that was made and is recorded all the same."""
    most = installation.limits.largest_turns
    if isinstance(adjustment, TurnScrew | TurnIdleStop) and abs(adjustment.turns) > most + 1e-9:
        leaner = isinstance(adjustment, TurnScrew) and adjustment.turns < 0
        danger = " and can lean the engine until it is damaged at full throttle" if leaner else ""
        return [
            f"{abs(adjustment.turns):g} turn is more than the small-step limit of {most:g}: a bigger step runs past "
            f"the setting looked for, teaches less{danger}. It is recorded as made; make the next one smaller."
        ]
    return []
