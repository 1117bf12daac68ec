"""The next step in one plain sentence or two, in the installation's units."""

from taperwise.api.presentation.fault_text import FAULTS
from taperwise.api.presentation.formatting import fraction, shown, sign, taper_digits
from taperwise.api.schemas.units import Units
from taperwise.shared.reasons import Exceeded, IdealSlope, InspectCause, Inspection, Suspicion, Watched
from taperwise.shared.recommendation import Action, ActionKind
from taperwise.shared.records import TurnSense
from taperwise.shared.units import from_si

__all__ = ["instruction", "slope_words"]

_KEEP = (
    "Leave everything as it is: full throttle, idle mixture and idle speed are confirmed. "
    "Refit the locking screw and write the setting into the record."
)
_KEEP_ACCEPTED = (
    "Leave everything as it is: you accepted this setting. It is not confirmed. Refit the locking screw and write the "
    "setting into the record."
)
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six")


def instruction(action: Action, units: Units, *, first_run: bool = False, accepted: bool = False) -> str:
    """What to do.

    Parameters
    ----------
    action : Action
    units : Units
        Of the installation.
    first_run : bool
        Whether nothing was run yet.
    accepted : bool
        Whether what is to be kept was accepted, not confirmed.
    """
    match action.kind:
        case ActionKind.TURN_SCREW:
            turned = f"{fraction(action.turns or 0.0)} {_sense(action.hex_direction)}"
            return f"Turn the needle holder {turned}: {action.effect}. Then make another run."
        case ActionKind.TURN_IDLE_STOP:
            turned = f"{fraction(action.turns or 0.0)} {_sense(action.hex_direction)}"
            return f"Turn the idle stop screw {turned}: {action.effect}. Then look at the idle again."
        case ActionKind.CHANGE_NEEDLE:
            return _change_needle(action)
        case ActionKind.KEEP:
            return _KEEP_ACCEPTED if accepted else _KEEP
        case ActionKind.INSPECT if action.inspection is not None:
            return _inspect(action.inspection, units)
        case _ if first_run:
            return "Make the first run as the engine is set now."
        case _:
            return "Change nothing; make another run at this setting."


def _sense(sense: TurnSense | None) -> str:
    return "counter-clockwise" if sense is TurnSense.COUNTER_CLOCKWISE else "clockwise"


def _change_needle(action: Action) -> str:
    steps, turns = abs(action.needle_steps or 0), action.turns_from_mark
    count = _NUMBERS[steps] if steps < len(_NUMBERS) else str(steps)
    on = f", then turn the holder {fraction(turns)} {_sense(action.hex_direction)}" if turns else ""
    return (
        f"Fit needle {action.needle}, {count} {'step' if steps == 1 else 'steps'} {action.effect}: mark where its "
        f"taper starts, set the mark at the slide's edge{on}. Start again at full throttle."
    )


def _inspect(inspection: Inspection, units: Units) -> str:
    match inspection.cause:
        case InspectCause.LIMIT_EXCEEDED:
            said = "; ".join(dict.fromkeys(_exceeded(each, units) for each in inspection.exceeded))
            return (
                f"Stop: {said}. Shut down, let it cool, find the cause and do what the engine's instructions ask for. "
                "No step is suggested until the cause is acknowledged in the record."
            )
        case InspectCause.NOT_AS_FORETOLD:
            return _look(inspection.likeliest, inspection.worth_a_look)
        case InspectCause.NO_NEEDLE_FITS:
            slope = _slope(inspection.ideal_slope, units)
            return (
                f"No needle on hand is likely to make both ends right (the best, {inspection.best_needle}, with a "
                f"chance of {inspection.best_chance or 0.0:.0%}). First look at the fuel supply, then for an induction "
                f"leak, a sticking slide and a mark set wrong. If all is well, a needle of {slope} would fit."
            )
        case InspectCause.STATIC_SPEED_OUT:
            low, high = inspection.static_rpm_band or (0.0, 0.0)
            return (
                f"Static speed is about {inspection.static_rpm or 0.0:.0f} rpm, outside your band of {low:.0f} to "
                f"{high:.0f} rpm. Mixture alone does not explain it. Before you call the mixture right, look at: "
                "1. The throttle: the slide opens to its stop. 2. The tachometer, against another. 3. The propeller: "
                "pitch and condition. 4. The induction: filter, duct and leaks. Then correct the record or the band, "
                "or acknowledge what you found, and go on."
            )
        case InspectCause.NOT_TO_BE_SETTLED:
            return (
                f"{_at_an_edge(inspection, units)} with the licensed person whether it may stay so. More runs at this "
                "setting teach little."
            )


_WATCHED = {
    Watched.HEAD_TEMPERATURE: "cylinder head temperature",
    Watched.EXHAUST_TEMPERATURE: "exhaust gas temperature",
    Watched.SPEED: "speed",
}


def _exceeded(each: Exceeded, units: Units) -> str:
    if each.quantity is Watched.SPEED:
        reached, limit = (f"{x:.0f} rpm" for x in (each.reached, each.limit))
    else:
        kind = each.quantity.value
        reached, limit = (shown(kind, x, getattr(units, kind)) for x in (each.reached, each.limit))
    return f"{_WATCHED[each.quantity]} reached {reached}, above the limit of {limit}"


def _look(likeliest: tuple[Suspicion, ...], worth_a_look: tuple[Suspicion, ...]) -> str:
    named = "; or ".join(f"{FAULTS[s.kind].what}, before run {s.since_run} ({s.chance:.0%})" for s in likeliest)
    found = (FAULTS[s.kind].look_at for s in worth_a_look)
    looks = " ".join(f"{i}. {look[0].upper()}{look[1:]}." for i, look in enumerate(found, 1))
    return (
        f"Before anything else is turned, find out what is different. Likeliest: {named}. Look, cheapest first: "
        f"{looks} If the record is wrong, correct it; else acknowledge what you found, and go on."
    )


def _at_an_edge(inspection: Inspection, units: Units) -> str:
    now = inspection.chance_now or 0.0
    if inspection.idle_rpm_band is not None:
        low, high = inspection.idle_rpm_band
        return (
            f"The idle speed stays at an edge of its band of {low:.0f} to {high:.0f} rpm (right with a chance of "
            f"{now:.0%}); decide"
        )
    best = inspection.best_chance or 0.0
    further = f", nowhere with more than {best:.0%}" if best > now else ""
    return (
        f"This is as near as the needles on hand come: both ends are right with a chance of {now:.0%}{further}, at the "
        f"edge of a band. A needle of {_slope(inspection.ideal_slope, units)} would sit better; decide"
    )


def _slope(slope: IdealSlope | None, units: Units) -> str:
    return "another slope" if slope is None else slope_words(slope, units)


def slope_words(slope: IdealSlope, units: Units) -> str:
    """A slope, and where it lies among the needles on hand."""
    unit, digits = units.taper, taper_digits(units.taper)
    low, middle, high = (from_si("taper", x, unit) for x in (slope.low_90, slope.median, slope.high_90))
    text = f"about {middle:.{digits}f} {sign(unit)} (90 %: {low:.{digits}f} to {high:.{digits}f} {sign(unit)})"
    if slope.shallower is None:
        return f"{text}, shallower than your {slope.steeper},"
    if slope.steeper is None:
        return f"{text}, steeper than your {slope.shallower},"
    if slope.shallower == slope.steeper:
        return text
    return f"{text}, between your {slope.shallower} and {slope.steeper},"
