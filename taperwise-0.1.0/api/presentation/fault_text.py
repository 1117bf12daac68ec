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
        "a turn was made the wrong way",
        "recall which way the hex key went, and count the holder's position if you can",
    ),
    FaultKind.TURN_NOT_MADE: FaultText(
        "a turn was not made, or the locking screw held the holder", "recall whether the holder moved with the hex key"
    ),
    FaultKind.WEATHER: FaultText(
        "the air was different from the entry", "check the temperature and pressure that you entered, with their units"
    ),
    FaultKind.PROBE: FaultText(
        "the exhaust probe reads too low",
        "check that the probe sits tight and in its own cylinder, and lean more slowly",
    ),
    FaultKind.MARK_SET_WRONG: FaultText(
        "the new needle's mark was not at the slide's edge", "take the slide out and set the mark again"
    ),
    FaultKind.PART_CHANGED: FaultText(
        "a part was changed without an entry: air filter, intake, fuel or propeller",
        "check the air filter and the intake, and ask what else was done",
    ),
    FaultKind.INDUCTION_LEAK: FaultText(
        "the induction leaks: lean at idle, but hardly at full throttle",
        "check the intake's joints, hoses and gaskets between slide and cylinder",
    ),
    FaultKind.FUEL_FLOW_LIMIT: FaultText(
        "the fuel flow is limited at full throttle",
        "measure the fuel flow at the throttle body, and check fuel filter, tank vent, level and lines",
    ),
    FaultKind.MIXTURE_CONTROL: FaultText(
        "the mixture control was not at full rich, so both mixtures were leaner",
        "push the mixture control to full rich and check that its lever reaches the stop",
    ),
    FaultKind.SLIDE_SHORT: FaultText(
        "the slide does not open fully at full throttle",
        "with the engine stopped, open the throttle and check that the slide clears the bore",
    ),
    FaultKind.FILTER_PLUGGED: FaultText(
        "the air filter or its duct is plugged: richer and slower at full throttle",
        "check the air filter, its duct and the carburetor heat or alternate air door",
    ),
    FaultKind.NONE_OF_THESE: FaultText(
        "a cause that the service does not know",
        "check rigging and fuel supply again, and ask someone who knows such engines",
    ),
}
"""By kind."""
