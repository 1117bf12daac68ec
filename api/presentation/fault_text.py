"""What may be wrong other than the setting, in words: what would have happened, and what to look at."""

from dataclasses import dataclass

from taperwise.shared.reasons import FaultKind

__all__ = ["FAULTS", "FaultText"]


@dataclass(frozen=True)
class FaultText:
    """What would have happened, and what to look at."""

    what: str
    look_at: str


FAULTS = {
    FaultKind.TURN_WRONG_WAY: FaultText(
        "a turn was made the other way",
        "recall which way the key went, and count the holder's position if it can be counted",
    ),
    FaultKind.TURN_NOT_MADE: FaultText(
        "a turn was not made, or the locking screw held it", "recall whether the holder moved under the key"
    ),
    FaultKind.WEATHER: FaultText(
        "the air was not what was recorded", "check temperature and pressure as they were entered, with their units"
    ),
    FaultKind.PROBE: FaultText(
        "the exhaust probe reads too little",
        "see that the probe sits tight, in its own cylinder, and lean more slowly",
    ),
    FaultKind.MARK_SET_WRONG: FaultText(
        "the new needle's mark was not at the slide's edge", "take the slide out and set the mark again"
    ),
    FaultKind.PART_CHANGED: FaultText(
        "something was changed and not recorded: air filter, intake, fuel, propeller",
        "look at the air filter and the intake, and ask what else was done",
    ),
    FaultKind.INDUCTION_LEAK: FaultText(
        "the induction leaks: lean at idle, hardly so at full throttle",
        "look at the intake's joints, hoses and gaskets between slide and cylinder",
    ),
    FaultKind.FUEL_FLOW_LIMIT: FaultText(
        "the fuel flow is limited at full throttle",
        "measure the fuel flow at the throttle body; look at the fuel filter, the tank's vent, level and lines",
    ),
    FaultKind.MIXTURE_CONTROL: FaultText(
        "the mixture control was not at full rich, so both ends were leaner",
        "push the mixture control to full rich and see that its lever reaches the stop",
    ),
    FaultKind.SLIDE_SHORT: FaultText(
        "the slide does not open fully at full throttle",
        "with the engine stopped, open the throttle and see that the slide clears the bore",
    ),
    FaultKind.FILTER_PLUGGED: FaultText(
        "the air filter or its duct is plugged: richer and slower at full throttle",
        "look at the air filter, its duct and the carburetor heat or alternate air door",
    ),
    FaultKind.NONE_OF_THESE: FaultText(
        "none of these: something this service has no story for",
        "go through the rigging and fuel checks once more, and ask somebody who knows such engines",
    ),
}
"""By kind."""
