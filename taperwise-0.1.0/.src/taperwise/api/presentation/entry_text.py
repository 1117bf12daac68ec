"""What was recorded, in one line, in the installation's units."""

from taperwise.api.presentation.formatting import from_mark, quantity, screw, stop
from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentKinds
from taperwise.api.schemas.quantities import Quantity
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.shared.records import ChangeNeedle, ChangePart, TurnIdleStop, TurnScrew

__all__ = ["adjustment_words", "kind_words", "run_words"]


def run_words(run: RunIn, units: Units) -> str:
    """Everything a run shows, in one line, in preferred units."""

    def said(q: Quantity) -> str:
        return quantity(units.put(q))

    found = [("air", said(run.air_temperature))]
    if run.pressure is not None:
        found.append(("pressure", said(run.pressure)))
    if run.altimeter_setting is not None:
        found.append(("altimeter setting", said(run.altimeter_setting)))
    found += [line for each in OBSERVATIONS if (line := each.line(run, said)) is not None]
    if run.sureness != "sure":
        found.append(("reader", run.sureness))
    return "; ".join(f"{name} {value}" for name, value in found)


def kind_words(kind: str, acknowledged: AcknowledgeIn | None) -> str:
    """What an entry is, in a word; `kind` as `taperwise.api.schemas.log.EntryOut` has it."""
    if acknowledged is not None and acknowledged.about == "setting":
        return "Accepted"
    return {"run": "Run", "adjustment": "Adjustment", "acknowledged": "Cause", "set_up": "Set-up"}[kind]


def adjustment_words(sent: AdjustmentKinds) -> str:
    """An adjustment in one line."""
    match sent.record():
        case TurnScrew(turns):
            return f"Needle holder {screw(turns)}"
        case TurnIdleStop(turns):
            return f"Idle stop screw {stop(turns)}"
        case ChangeNeedle(needle, turns):
            return f"Needle {needle} installed, holder {from_mark(turns)}"
        case ChangePart(part, fuel):
            to = f": {fuel.value.replace('_', ' ')}" if fuel else ""
            return f"Changed {part.value.replace('_', ' ')}{to}"
