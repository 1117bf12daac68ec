"""Actions with the sense in which the hex key turns, and what each does to the engine."""

from taperwise.model.diagnosis.fault_detection import WORTH_A_LOOK
from taperwise.shared.limits import IdleStopStep, ScrewStep
from taperwise.shared.reasons import InspectCause, Inspection
from taperwise.shared.recommendation import Action, ActionKind, Confidence
from taperwise.shared.records import Installation, TurnSense

__all__ = [
    "change_needle",
    "inspect",
    "keep",
    "repeat_run",
    "something_is_wrong",
    "turn_idle_stop",
    "turn_screw",
]


def _sense(direction: TurnSense | None, *, opposite: bool) -> TurnSense | None:
    """A direction that the owner gave, or the other one; None where the owner has not said."""
    return direction.opposite() if opposite and direction is not None else direction


def turn_screw(step: ScrewStep, installation: Installation) -> Action:
    """A turn of the needle holder."""
    sense = _sense(installation.throttle_body.lean_direction, opposite=step.turns > 0)
    effect = "richer" if step.turns > 0 else "leaner"
    return Action(ActionKind.TURN_SCREW, turns=step.turns, hex_direction=sense, effect=effect)


def turn_idle_stop(step: IdleStopStep, installation: Installation) -> Action:
    """A turn of the idle stop screw."""
    sense = _sense(installation.throttle_body.faster_direction, opposite=step.turns < 0)
    effect = "faster" if step.turns > 0 else "slower"
    return Action(ActionKind.TURN_IDLE_STOP, turns=step.turns, hex_direction=sense, effect=effect)


def change_needle(label: str, steps: int, turns_from_mark: float, installation: Installation) -> Action:
    """A change of needle, with the first screw position to set; `steps` along the needles on hand, + = steeper."""
    effect = "steeper" if steps > 0 else "shallower"
    sense = _sense(installation.throttle_body.lean_direction, opposite=turns_from_mark > 0)
    return Action(
        ActionKind.CHANGE_NEEDLE,
        needle=label,
        turns_from_mark=turns_from_mark,
        hex_direction=sense if turns_from_mark else None,
        effect=effect,
        needle_steps=steps,
    )


def repeat_run() -> Action:
    """A run at the setting as it stands."""
    return Action(ActionKind.REPEAT_RUN)


def keep() -> Action:
    """Nothing more to turn."""
    return Action(ActionKind.KEEP)


def inspect(inspection: Inspection) -> Action:
    """Something to look at before anything is turned."""
    return Action(ActionKind.INSPECT, inspection=inspection)


def something_is_wrong(confidence: Confidence) -> Action:
    """Look for a cause before the next step, cheapest first; the two likeliest stories are named."""
    likely = tuple(sorted(confidence.suspicions, key=lambda s: -s.chance)[:2])
    worth = tuple(s for s in confidence.suspicions if s.chance >= WORTH_A_LOOK)
    return inspect(Inspection(InspectCause.NOT_AS_FORETOLD, likeliest=likely, worth_a_look=worth or likely))
