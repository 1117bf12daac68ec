"""The last door: what the model answered is held against every safety rule before anything of it is stored or shown.

The model keeps these rules itself. Here they are checked again, of what came out, because an engine can be destroyed
where the model is broken, or where somebody changed what is stored.
"""

import math
from dataclasses import fields, is_dataclass
from typing import Any

from taperwise.api.log.service import Log
from taperwise.model.design import actions
from taperwise.model.design.limit_check import limit_action
from taperwise.model.diagnosis.fault_detection import ALARM, ALARM_AT_THE_END
from taperwise.model.inference.dataset import gather
from taperwise.shared.errors import StepLimitError, UnknownNeedleError, UnsafeError
from taperwise.shared.limits import IdleStopStep, ScrewStep
from taperwise.shared.reasons import InspectCause, ReasonCode
from taperwise.shared.recommendation import Action, ActionKind, Prediction, Stage, Suggestion
from taperwise.shared.records import Installation

__all__ = ["safe_figures", "safe_suggestion"]

_CURE = "Change nothing on the engine. Ask for the next step again, and tell the operator of this service."
_TURNS = (ActionKind.TURN_SCREW, ActionKind.CHANGE_NEEDLE, ActionKind.TURN_IDLE_STOP)
_CHANCES = ("chance", "lean_chance", "doubt")
_ROUNDING = 1e-9


def safe_suggestion(suggestion: Suggestion, log: Log) -> Suggestion:
    """The suggestion, if it keeps every safety rule.

    Parameters
    ----------
    suggestion : Suggestion
    log : Log
        What it was made from.

    Raises
    ------
    UnsafeError
        Naming the rule that it breaks.
    """
    safe_figures(suggestion)
    _stops(suggestion, log)
    for action in _offered(suggestion):
        _is_a_step(action, log.installation)
    if suggestion.action.kind in _TURNS:
        _keeps_from_lean(suggestion, suggestion.action, suggestion.expected, log)
    for other in suggestion.alternatives:
        if other.refused is None and other.action.kind in _TURNS:
            _keeps_from_lean(suggestion, other.action, other.prediction, log)
    best = suggestion.most_informative
    allowed = [other.action for other in suggestion.alternatives if other.refused is None]
    if best is not None and best.action not in allowed:
        raise _unsafe("the most informative step is not one of the allowed steps")
    return suggestion


def safe_figures[T](result: T) -> T:
    """A result, if all its numbers are finite and all its chances between 0 and 1.

    Raises
    ------
    UnsafeError
        Naming the number that is not.
    """
    _finite(result, "result")
    return result


def _finite(value: Any, name: str) -> None:
    if isinstance(value, bool | str) or value is None:
        return
    if isinstance(value, float | int):
        is_chance = any(name == each or name.startswith(f"{each}_") or name.endswith(f"_{each}") for each in _CHANCES)
        if not math.isfinite(value) or (is_chance and not -_ROUNDING <= value <= 1.0 + _ROUNDING):
            raise _unsafe(f"{name} is no number that can be: {value}")
    elif is_dataclass(value):
        for each in fields(value):
            _finite(getattr(value, each.name), each.name)
    elif isinstance(value, tuple | list):
        for each in value:
            _finite(each, name)


def _stops(suggestion: Suggestion, log: Log) -> None:
    """Nothing is turned while a limit was exceeded, a fault is likely, or the posterior cannot be trusted."""
    kind, confidence = suggestion.action.kind, suggestion.confidence
    evidence = gather(log.installation, log.entries, log.prior)
    stop = limit_action(evidence)
    if stop is not None and (suggestion.action != stop or suggestion.alternatives or suggestion.most_informative):
        raise _unsafe("a limit of the engine was exceeded, and something else is suggested than to look for the cause")
    if stop is None and suggestion.action.cause is InspectCause.LIMIT_EXCEEDED:
        raise _unsafe("no limit of the engine was exceeded, and it is said that one was")
    if stop is not None or kind is ActionKind.INSPECT:
        return
    if confidence.doubt >= ALARM:
        raise _unsafe("a fault is likely, and something else is suggested than to look for the cause")
    if not suggestion.provenance.diagnostics.converged and kind is not ActionKind.REPEAT_RUN:
        raise _unsafe("the readings contradict each other, and something else is suggested than another run")
    if kind is not ActionKind.KEEP:
        return
    accepted = suggestion.why.code is ReasonCode.ACCEPTED and evidence.accepted
    if accepted and confidence.lean_chance > log.installation.limits.lean_chance:
        raise _unsafe("a setting is to be kept that may run lean of peak at full throttle")
    if confidence.doubt >= ALARM_AT_THE_END or (confidence.stage is not Stage.TUNED and not accepted):
        raise _unsafe("the engine is said to be tuned, and not all stages are confirmed")


def _offered(suggestion: Suggestion) -> list[Action]:
    """All actions that anybody is shown, refused ones too."""
    best = suggestion.most_informative
    others = [other.action for other in suggestion.alternatives]
    return [suggestion.action, *others, *([] if best is None else [best.action])]


def _is_a_step(action: Action, installation: Installation) -> None:
    """Within the step limits, and with the sense and the effect that turns of this sign have here."""
    limits, turns = installation.limits, action.turns
    try:
        if action.kind is ActionKind.TURN_SCREW:
            built = actions.turn_screw(ScrewStep(turns or 0.0, limits), installation)
        elif action.kind is ActionKind.TURN_IDLE_STOP:
            built = actions.turn_idle_stop(IdleStopStep(turns or 0.0, limits), installation)
        elif action.kind is ActionKind.CHANGE_NEEDLE:
            label = installation.needle(action.needle or "").label
            built = actions.change_needle(label, action.needle_steps or 0, action.turns_from_mark or 0.0, installation)
        elif turns is not None or action.needle is not None:
            raise _unsafe(f"{action.kind} turns or changes something")
        else:
            return
    except (StepLimitError, UnknownNeedleError) as error:
        raise _unsafe("a step is beyond its limit, or its needle is not there") from error
    if built != action:
        raise _unsafe(f"the sense or the effect of {action.kind} does not belong to its sign")


def _keeps_from_lean(suggestion: Suggestion, action: Action, expected: Prediction, log: Log) -> None:
    most = log.installation.limits.lean_chance
    turns = action.turns or 0.0
    if action.kind is ActionKind.TURN_SCREW and turns > 0:
        return  # richer: the way out
    leaner = action.kind is ActionKind.TURN_SCREW
    if expected.lean_chance > most or (leaner and suggestion.confidence.lean_chance > most):
        raise _unsafe("the engine could be left lean of peak at full throttle")


def _unsafe(rule: str) -> UnsafeError:
    return UnsafeError(f"The result was held back, because it breaks a safety rule: {rule}", cure=_CURE)
