"""The next step in plain sentences, in the installation's units; longer work comes in numbered steps, one a line."""

from collections.abc import Iterable

from taperwise.api.presentation.digits import number
from taperwise.api.presentation.fault_text import FAULTS
from taperwise.api.presentation.formatting import (
    chance,
    direction,
    fraction,
    from_mark,
    percent,
    shown,
    sign,
    taper_digits,
)
from taperwise.api.presentation.needle_text import ideal_steps
from taperwise.api.schemas.units import Units
from taperwise.shared.reasons import (
    Exceeded,
    HeldBack,
    IdealSlope,
    IdealSteps,
    InspectCause,
    Inspection,
    Suspicion,
    Watched,
)
from taperwise.shared.recommendation import Action, ActionKind, Confidence
from taperwise.shared.records import TurnSense
from taperwise.shared.units import from_si

__all__ = ["RUN_AT_NEW_SETTING", "better_slope", "exceeded_words", "in_brief", "instruction", "slope_words"]

RUN_AT_NEW_SETTING = "Turn nothing more. Make a run at this new setting."
"""What is left to do where the last adjustment is shown beside the instruction."""

_REFIT = "Refit the locking screw and write the setting into the aircraft's papers."
_KEEP = f"Change nothing: full throttle, idle mixture and idle speed are confirmed. {_REFIT}"
_KEEP_HERE = (
    f"Change nothing: the setting is confirmed for the air of your runs only. {_REFIT} Make a ground run before you "
    "use this setting in colder air."
)
_KEEP_ACCEPTED = f"Change nothing: you accepted this setting. It is not confirmed. {_REFIT}"
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six")
_TO_CONTINUE = "If an entry is wrong, correct that entry. Otherwise record the cause to continue."
_ACCEPTABLE = (
    "More runs at this setting would tell little. Ask your licensed person whether this setting is acceptable."
)


def instruction(
    action: Action, units: Units, *, now: Confidence | None = None, first_run: bool = False,
    this_air_only: bool = False, accepted: bool = False,
) -> str:  # fmt: skip
    """What to do.

    Parameters
    ----------
    action : Action
    units : Units
        Of the installation.
    now : Confidence, optional
        In the present setting, for a step that depends on what was recorded last.
    first_run : bool
        Whether nothing was run yet.
    this_air_only : bool
        Whether a setting to keep would be too lean in denser air.
    accepted : bool
        Whether what is to be kept was accepted, not confirmed.
    """
    match action.kind:
        case ActionKind.TURN_SCREW:
            return f"{_turn('needle holder', action)} Then make another run."
        case ActionKind.TURN_IDLE_STOP:
            return f"{_turn('idle stop screw', action)} Then judge the idle again."
        case ActionKind.CHANGE_NEEDLE:
            return _change_needle(action)
        case ActionKind.KEEP:
            return _KEEP_ACCEPTED if accepted else _KEEP_HERE if this_air_only else _KEEP
        case ActionKind.INSPECT if action.inspection is not None:
            return _inspect(action.inspection, units)
        case _ if first_run:
            return "Make the first run as the engine is set now."
        case _ if now is not None and now.runs_here == 0:
            return (
                f"Your last change is in the log: needle {now.fitted_needle}, holder {from_mark(now.position_turns)}. "
                f"{RUN_AT_NEW_SETTING}"
            )
        case _:
            return "Change nothing. Make another run at this setting."


def in_brief(action: Action, units: Units, *, first_run: bool = False) -> str:
    """A step in one line, for a list of several."""
    if action.kind is not ActionKind.CHANGE_NEEDLE:
        return instruction(action, units, first_run=first_run)
    at = f"holder {from_mark(action.turns_from_mark or 0.0)}"
    return f"Install needle {action.needle}, {_steps_along(action)} than the installed one, {at}."


def _turn(what: str, action: Action) -> str:
    return f"Turn the {what} {fraction(action.turns or 0.0)}{_way(action.hex_direction)}: {action.effect}."


def _way(sense: TurnSense | None) -> str:
    """The hex key's way; nothing where the owner did not say which way is which."""
    return "" if sense is None else f" {direction(sense)}"


def _steps_along(action: Action) -> str:
    steps = abs(action.needle_steps or 0)
    count = _NUMBERS[steps] if steps < len(_NUMBERS) else str(steps)
    return f"{count} {'step' if steps == 1 else 'steps'} {action.effect}"


def _change_needle(action: Action) -> str:
    turns = action.turns_from_mark or 0.0
    way = f"{_way(action.hex_direction)}: {'richer' if turns > 0 else 'leaner'} than the mark"
    return _numbered(
        f"Change the needle to {action.needle}, {_steps_along(action)}.",
        (
            "Stop the engine. Switch the ignition off.",
            f"Mark needle {action.needle} where you mark all your needles. Common practice is where the taper starts.",
            f"Install needle {action.needle} with its mark at the slide's edge.",
            f"Turn the needle holder {fraction(turns)}{way}." if turns else "Do not turn the needle holder.",
            "Refit the locking screw.",
            "Look for fuel leaks.",
            "Record the change. Then make a new run, full-throttle stage first.",
        ),
    )


def _numbered(lead: str, steps: Iterable[str], end: str = "") -> str:
    lines = [lead, *(f"{i}. {step}" for i, step in enumerate(steps, 1)), end]
    return "\n".join(line for line in lines if line)


def _inspect(inspection: Inspection, units: Units) -> str:
    match inspection.cause:
        case InspectCause.LIMIT_EXCEEDED:
            said = " ".join(dict.fromkeys(exceeded_words(each, units) for each in inspection.exceeded))
            return (
                f"Stop. {said} Shut the engine down and let it cool. Find the cause, and do what the engine's "
                "instructions require. Suggestions are paused until you record the cause."
            )
        case InspectCause.NOT_AS_FORETOLD:
            return _look(inspection.likeliest, inspection.worth_a_look)
        case InspectCause.NO_NEEDLE_FITS:
            return (
                f"None of your needles is likely to bring both mixtures into target. The best is "
                f"{inspection.best_needle}, with a {chance(inspection.best_chance or 0.0)} chance. Check the fuel "
                "supply first. Then look for an induction leak, a sticking slide and a mark in the wrong place. "
                f"If all is well, you need a needle {better_slope(inspection.ideal_slope, units)}."
            )
        case InspectCause.STATIC_SPEED_OUT:
            low, high = inspection.static_rpm_band or (0.0, 0.0)
            return _numbered(
                f"Full-throttle speed is about {inspection.static_rpm or 0.0:.0f} rpm, outside your target range of "
                f"{low:.0f} to {high:.0f} rpm. Mixture alone does not explain that. Check these before you call the "
                "mixture right:",
                (
                    "Throttle: does the slide open to its stop?",
                    "Tachometer: compare it with another one.",
                    "Propeller: pitch and condition.",
                    "Intake: filter, duct and leaks.",
                ),
                "Then correct the entry or the target range. Otherwise record the cause to continue.",
            )
        case InspectCause.RISE_STUCK:
            before, after = (
                shown("temperature_rise", x, units.temperature_rise) for x in inspection.rises_kelvin or (0.0, 0.0)
            )
            return _numbered(
                f"Do not turn further, and do not change the needle. The EGT rise was {before}. "
                f"After {fraction(inspection.richer_turns or 0.0)} richer it is {after}. Check the fuel supply first:",
                (
                    "Mixture control: does its lever reach full rich?",
                    "Fuel valve: is it fully open?",
                    "Tank: level and vent.",
                    "Fuel filter and lines.",
                    "Fuel flow: measure it at the throttle body, as your instructions require.",
                    "Needle holder: does it move the needle when you turn it?",
                ),
                _TO_CONTINUE,
            )
        case InspectCause.NOT_TO_BE_SETTLED:
            return f"{_at_an_edge(inspection, units)} {_ACCEPTABLE}"
        case InspectCause.TOO_FAR_TO_GO:
            return _too_far(inspection, units)


_WATCHED = {
    Watched.HEAD_TEMPERATURE: "Cylinder head temperature",
    Watched.EXHAUST_TEMPERATURE: "Exhaust gas temperature",
    Watched.SPEED: "Speed",
}


def exceeded_words(each: Exceeded, units: Units) -> str:
    """Which limit was exceeded, and by how much."""
    if each.quantity is Watched.SPEED:
        reached, limit = (f"{x:.0f} rpm" for x in (each.reached, each.limit))
    else:
        kind = each.quantity.value
        reached, limit = (shown(kind, x, getattr(units, kind)) for x in (each.reached, each.limit))
    return f"{_WATCHED[each.quantity]} reached {reached}, above the limit of {limit}."


def _look(likeliest: tuple[Suspicion, ...], worth_a_look: tuple[Suspicion, ...]) -> str:
    named = " Or ".join(
        f"{FAULTS[s.kind].what}, before run {s.since_run} ({percent(s.chance)} chance)." for s in likeliest
    )
    looks = (FAULTS[s.kind].look_at for s in worth_a_look)
    return _numbered(
        f"Do not turn anything yet. Your latest runs do not match the log. Most likely {named} Check these, easiest "
        "first:",
        (f"{look[0].upper()}{look[1:]}." for look in looks),
        _TO_CONTINUE,
    )


def _too_far(inspection: Inspection, units: Units) -> str:
    slope = inspection.ideal_slope
    another = "" if slope is None else f" Then you probably need a needle {better_slope(slope, units)}."
    return _numbered(
        "Do not turn further. Many runs have not brought this engine near its target. There is a "
        f"{chance(inspection.chance_now or 0.0)} chance that both mixtures are in target here, and "
        f"{chance(inspection.best_chance or 0.0)} at best, with {inspection.best_needle}. Check these first:",
        (
            "Log: are all entries right?",
            "Exhaust probe: position, wiring and gauge.",
            "Fuel supply: valve, tank vent, filter and lines.",
            "Intake: induction leaks, and a slide that sticks.",
            "Needle: is its mark at the slide's edge?",
        ),
        f"{_TO_CONTINUE} If you find no cause, record that too.{another}",
    )


def _at_an_edge(inspection: Inspection, units: Units) -> str:
    now = inspection.chance_now or 0.0
    if inspection.idle_rpm_band is not None:
        low, high = inspection.idle_rpm_band
        return (
            f"The idle speed stays at the edge of its target range of {low:.0f} to {high:.0f} rpm ({chance(now)} "
            "chance of being in target)."
        )
    if inspection.held_back is not None:
        return _held_back(inspection.held_back, now)
    best = inspection.best_chance or 0.0
    further = f" (best possible: {chance(best)})" if best > now else ""
    return (
        f"Your needles get no closer: {chance(now)} chance that both mixtures are in target{further}. A needle "
        f"{better_slope(inspection.ideal_slope, units)} would be better."
    )


def _held_back(held: HeldBack, now: float) -> str:
    lean, most = (f"{number(100 * x, '.1f')}\u00a0%" for x in (held.lean, held.most))
    text = (
        f"Full throttle stays at the rich edge of its target range ({chance(now)} chance that both mixtures are in "
        f"target). {fraction(held.turns).capitalize()} leaner would bring it into target with a "
        f"{chance(held.full_throttle)} chance. But the danger would be too great: a {lean} chance that a cylinder runs "
        f"lean of peak at full throttle. Your limit is {most}."
    )
    if not held.unseen_cylinders:
        return text
    return f"{text} Exhaust probes on all cylinders would show how lean each cylinder runs."


def better_slope(slope: IdealSlope | IdealSteps | None, units: Units) -> str:
    """The needle that would fit, as a part of a sentence after the word for it."""
    if isinstance(slope, IdealSteps):
        return ideal_steps(slope)
    return "of another slope" if slope is None else f"of {slope_words(slope, units)}"


def slope_words(slope: IdealSlope, units: Units) -> str:
    """A slope with its range, and where it lies among the owner's needles."""
    unit, digits = units.taper, taper_digits(units.taper)
    low, middle, high = (from_si("taper", x, unit) for x in (slope.low_90, slope.median, slope.high_90))
    gap = "\u00a0" if unit == "percent" else " "
    from_, about_, to = (number(x, f".{digits}f") for x in (low, middle, high))
    text = f"about {about_}{gap}{sign(unit)} ({from_} to {to}{gap}{sign(unit)}, 9 times in 10)"
    if slope.shallower is None:
        return f"{text}, shallower than your {slope.steeper}"
    if slope.steeper is None:
        return f"{text}, steeper than your {slope.shallower}"
    if slope.shallower == slope.steeper:
        return text
    return f"{text}, between your {slope.shallower} and {slope.steeper}"
