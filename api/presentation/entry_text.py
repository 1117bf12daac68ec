"""What was recorded, in one line, in the installation's units."""

from taperwise.api.presentation.formatting import quantity, screw, stop
from taperwise.api.presentation.idle_text import IDLE_LEVELS
from taperwise.api.schemas.adjustments import AdjustmentKinds
from taperwise.api.schemas.quantities import Elevation, Quantity
from taperwise.api.schemas.run import FellAtOnce, PeakSeen, RoughBeforePeak, RunIn
from taperwise.api.schemas.units import Units
from taperwise.shared.meters import meters
from taperwise.shared.records import ChangeNeedle, ChangePart, TurnIdleStop, TurnScrew

__all__ = ["adjustment_words", "readings", "run_words"]


def readings(run: RunIn, units: Units, elevation: Elevation | None) -> list[tuple[str, str]]:
    """Everything a run shows, each with its name, in preferred units."""
    record = run.record(elevation)

    def said(q: Quantity) -> str:
        return quantity(units.put(q))

    found = [("air", said(run.air_temperature))]
    if run.pressure is not None:
        found.append(("pressure", said(run.pressure)))
    if run.altimeter_setting is not None:
        found.append(("altimeter setting", said(run.altimeter_setting)))
    match run.egt_rise:
        case PeakSeen(rise=rise, error=error):
            found.append(("EGT rise", said(rise) + (f" ± {said(error)}" if error else "")))
        case FellAtOnce():
            found.append(("EGT", "fell at once"))
        case RoughBeforePeak(rise=rise):
            found.append(("EGT", f"rough before a peak, rise so far {said(rise)}"))
    if record.idle_quality is not None:
        found.append(("idle", IDLE_LEVELS[record.idle_quality].name))
    for name, words in _NAMED.items():
        value = getattr(run, name)
        if value is not None:
            found.append((words, said(value)))
    if run.highest is not None:
        for name, words in (("cht", "highest head temperature"), ("egt", "highest EGT"), ("rpm", "highest speed")):
            value = getattr(run.highest, name)
            if value is not None:
                found.append((words, said(value)))
    if run.sureness != "sure":
        found.append(("reader", run.sureness))
    return found


_NAMED = {
    "idle_rpm": "idle speed",
    "idle_rpm_rise": "rise of idle speed",
    "static_rpm": "static speed",
    "power_rpm_rise": "rise to best power",
    **{meter.name: meter.words for meter in meters()},
    "relative_humidity": "humidity",
}


def run_words(run: RunIn, units: Units, elevation: Elevation | None) -> str:
    """A run in one line."""
    return "; ".join(f"{name} {value}" for name, value in readings(run, units, elevation))


def adjustment_words(sent: AdjustmentKinds) -> str:
    """An adjustment in one line."""
    match sent.record():
        case TurnScrew(turns):
            return f"Needle holder {screw(turns)}"
        case TurnIdleStop(turns):
            return f"Idle stop {stop(turns)}"
        case ChangeNeedle(needle, turns):
            return f"Needle {needle} fitted, " + (
                f"{screw(turns)} from its mark" if turns else "mark at the slide’s edge"
            )
        case ChangePart(part, fuel):
            to = f": {fuel.value.replace('_', ' ')}" if fuel else ""
            return f"Another {part.value.replace('_', ' ')}{to}"
