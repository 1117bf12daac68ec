"""Instructions in one plain sentence each."""

from fractions import Fraction

from taperwise.model.diagnosis.fault_detection import WORTH_A_LOOK
from taperwise.shared.limits import IdleStopStep, ScrewStep
from taperwise.shared.recommendation import Action, ActionKind, Confidence, InspectCause
from taperwise.shared.records import Installation, TurnSense

__all__ = [
    "change_needle",
    "fraction",
    "keep",
    "repeat_run",
    "something_is_wrong",
    "temperature",
    "turn_idle_stop",
    "turn_screw",
]


def fraction(turns: float) -> str:
    """Turns in words a hex key knows: ``1/8 turn``, ``1 1/4 turns``.

    Examples
    --------
    >>> fraction(0.125), fraction(-1.25), fraction(0.0)
    ('1/8 turn', '1 1/4 turns', '0 turns')
    """
    whole, rest = divmod(Fraction(abs(turns)).limit_denominator(64), 1)
    words = " ".join(str(x) for x in (whole, rest) if x) or "0"
    return f"{words} turn" if 0 < whole + rest <= 1 else f"{words} turns"


def temperature(kelvin: float) -> str:
    """A temperature in both units a gauge may have.

    Examples
    --------
    >>> temperature(505.372)
    '450 °F (232 °C)'
    """
    return f"{1.8 * kelvin - 459.67:.0f} °F ({kelvin - 273.15:.0f} °C)"


def _spaced(sense: TurnSense) -> str:
    return "counter-clockwise" if sense is TurnSense.COUNTER_CLOCKWISE else "clockwise"


def turn_screw(step: ScrewStep, installation: Installation) -> Action:
    """A turn of the needle holder: the hex key's sense first, then its effect."""
    lean = installation.throttle_body.lean_direction
    sense = lean.opposite() if step.turns > 0 else lean
    effect = "richer" if step.turns > 0 else "leaner"
    text = f"Turn the needle holder {fraction(step.turns)} {_spaced(sense)}: {effect}. Then make another run."
    return Action(ActionKind.TURN_SCREW, text, turns=step.turns, hex_direction=sense, effect=effect)


def turn_idle_stop(step: IdleStopStep, installation: Installation) -> Action:
    """A turn of the idle stop screw."""
    fast = installation.throttle_body.faster_direction
    sense = fast if step.turns > 0 else fast.opposite()
    effect = "faster" if step.turns > 0 else "slower"
    text = f"Turn the idle stop screw {fraction(step.turns)} {_spaced(sense)}: {effect}. Then look at the idle again."
    return Action(ActionKind.TURN_IDLE_STOP, text, turns=step.turns, hex_direction=sense, effect=effect)


_NUMBERS = ("no", "one", "two", "three", "four", "five", "six")


def change_needle(label: str, steps: int, turns_from_mark: float, installation: Installation) -> Action:
    """A change of needle, with the first screw position to set; `steps` along the needles on hand, + = steeper."""
    effect = "steeper" if steps > 0 else "shallower"
    count = _NUMBERS[abs(steps)] if abs(steps) < len(_NUMBERS) else str(abs(steps))
    word = f"{count} {'step' if abs(steps) == 1 else 'steps'} {effect}"
    lean = installation.throttle_body.lean_direction
    sense = lean.opposite() if turns_from_mark > 0 else lean
    on = f", then turn the holder {fraction(turns_from_mark)} {_spaced(sense)}" if turns_from_mark else ""
    text = (
        f"Fit needle {label}, {word}: mark where its taper starts, set the mark at the slide's edge{on}. "
        "Start again at full throttle."
    )
    return Action(
        ActionKind.CHANGE_NEEDLE,
        text,
        needle=label,
        turns_from_mark=turns_from_mark,
        hex_direction=sense if turns_from_mark else None,
        effect=effect,
    )


def repeat_run(first: bool) -> Action:
    """A run at the setting as it stands."""
    text = (
        "Make the first run as the engine is set now." if first else "Change nothing; make another run at this setting."
    )
    return Action(ActionKind.REPEAT_RUN, text)


def keep() -> Action:
    """Nothing more to turn."""
    return Action(
        ActionKind.KEEP,
        "Leave everything as it is: full throttle, idle mixture and idle speed are confirmed. "
        "Refit the locking screw and write the setting into the record.",
    )


def something_is_wrong(confidence: Confidence) -> Action:
    """Look for a cause before the next step, cheapest first; the two likeliest stories are named."""
    likely = sorted(confidence.suspicions, key=lambda s: -s.chance)[:2]
    named = "; or ".join(f"{s.what}, before run {s.since_run} ({s.chance:.0%})" for s in likely)
    worth = [s for s in confidence.suspicions if s.chance >= WORTH_A_LOOK]
    looks = " ".join(f"{i}. {s.look_at[0].upper()}{s.look_at[1:]}." for i, s in enumerate(worth or likely, 1))
    return Action(
        ActionKind.INSPECT,
        f"Before anything else is turned, find out what is different. Likeliest: {named}. Look, cheapest first: "
        f"{looks} If the record is wrong, correct it; else acknowledge what you found, and go on.",
        cause=InspectCause.NOT_AS_FORETOLD,
    )
