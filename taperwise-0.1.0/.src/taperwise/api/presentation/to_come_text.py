"""What the next run should read, and what the coldest air to come asks, in words."""

from collections.abc import Sequence

from taperwise.api.presentation.digits import number
from taperwise.api.presentation.formatting import LABELS, sign
from taperwise.api.schemas.recommendation import ColdestAirOut, ReadingWorthOut

__all__ = ["coldest_air", "next_readings"]

_WORTH_SAYING = 0.3  # runs saved from which a reading is asked for
_NOTHING = 0.1  # runs saved below which a reading may be left out
_WATCHED = "rise"  # never to be left out: it is what shows full throttle running lean
_WIRE = {"rise": "egt_rise"}  # fields of a run that go by another name on the wire


def next_readings(worth: Sequence[ReadingWorthOut]) -> str:
    """Which reading shortens the way most, and which may be left out; empty where there is nothing to say."""
    said = []
    best = worth[0] if worth else None
    if best is not None and best.runs_saved >= _WORTH_SAYING:
        also = "" if best.usual else " Your runs have not held this reading so far."
        saved = number(best.runs_saved, ".1f")
        said.append(f"Most useful in the next run: {_named(best.name)}, saves about {saved} runs.{also}")
    spare = [_named(each.name) for each in worth if each.usual and each.runs_saved < _NOTHING and each.name != _WATCHED]
    if said and spare:
        said.append(f"You may leave out: {', '.join(spare)}.")
    return " ".join(said)


def _named(name: str) -> str:
    wire = _WIRE.get(name, name)
    return LABELS.get(wire, wire.replace("_", " "))


def coldest_air(told: ColdestAirOut) -> str:
    """The rise today and then, and whether the band holds a setting that is safe then."""
    rise, unit = sign(told.rise_unit), f"{told.temperature:.0f} {sign(told.temperature_unit)}"
    now = f"{told.rise_today:.0f} {rise} of rise today is about {told.rise_then:.0f} {rise} at {unit}."
    needs = "needs at least" if told.band_has_room else "would need"
    safe = f"To stay within the lean limit then, full throttle {needs} {told.safe_rise_today:.0f} {rise} today."
    if told.band_has_room:
        return f"{now} {safe}"
    beyond = (
        "Your target range does not reach that far. Before you use the engine in such cold, tie down and tune again."
    )
    return f"{now} {safe} {beyond}"
