"""A change of a set-up in words."""

from typing import Any

from taperwise.api.presentation.digits import rounded
from taperwise.api.presentation.formatting import sign
from taperwise.api.schemas.set_up import SetUpEntry
from taperwise.api.schemas.units import Units
from taperwise.shared.units import from_si, to_si

__all__ = ["DIRECTION_CORRECTED", "NAMES", "UNDONE", "refused_change", "set_up_words"]

UNDONE = "Undone right after it was recorded."
DIRECTION_CORRECTED = "The direction in the set-up was corrected: this turn did the opposite."

NAMES = {
    "name": "Name",
    "fitted_needle": "Needle at the first entry",
    "fuel": "Fuel at the first entry",
    "elevation": "Elevation of the field",
    "coldest_temperature": "Coldest air temperature this aeroplane will meet",
    "needle_step": "Typical step between needles",
    "throttle_body.bore": "Bore",
    "throttle_body.slide_stroke": "Slide travel",
    "throttle_body.idle_opening": "Slide opening at idle",
    "throttle_body.screw_pitch": "Needle movement per turn",
    "throttle_body.idle_stop_pitch": "Slide movement per turn of the idle stop screw",
    "throttle_body.lean_direction": "Direction that leans",
    "throttle_body.faster_direction": "Direction that idles faster",
    "throttle_body.orifice_diameter": "Fuel orifice",
    "throttle_body.needle_diameter": "Needle diameter",
    "throttle_body.mark_to_orifice": "Mark to orifice",
    "engine.displacement": "Displacement",
    "engine.cylinders": "Cylinders",
    "engine.egt_probes": "Cylinders with an exhaust probe",
    "engine.rated_rpm": "Rated speed",
    "engine.cooling": "Cooling",
    "targets.rise.low": "Target EGT rise, from",
    "targets.rise.high": "Target EGT rise, to",
    "targets.idle_rpm.low": "Target idle speed, from",
    "targets.idle_rpm.high": "Target idle speed, to",
    "targets.idle_rise.low": "Target rise of idle speed, from",
    "targets.idle_rise.high": "Target rise of idle speed, to",
    "targets.static_rpm.low": "Expected static speed, from",
    "targets.static_rpm.high": "Expected static speed, to",
    "watch.cht": "Highest cylinder head temperature allowed",
    "watch.egt": "Highest exhaust gas temperature allowed",
    "watch.rpm": "Highest speed allowed",
    "limits.quantum_turns": "Smallest step",
    "limits.largest_turns": "Largest step",
    "limits.lean_chance": "Chance of lean of peak allowed",
    "limits.confirm_chance": "Chance that confirms a stage",
}
"""What the fields of a set-up are called."""

_KINDS = (
    ("elevation", "elevation"), ("coldest_temperature", "temperature"), ("throttle_body.", "length"),
    ("needles.", "taper"),
    ("engine.displacement", "volume"), ("watch.cht", "head_temperature"), ("watch.egt", "exhaust_temperature"),
    ("targets.rise.", "temperature_rise"),
)  # fmt: skip
"""Kinds of quantities that follow the preferred units, by how their names begin."""

_REFUSED = {
    "taper_slope": (
        "A needle keeps its taper slope",
        "Add the other needle under a label of its own. If the slope was mistyped, choose “it was always so”.",
    ),
    "fuel": ("Another fuel is an adjustment", "Record an adjustment: a part or the fuel was changed."),
    "fitted_needle": ("Another needle is an adjustment", "Record an adjustment: another needle was installed."),
    "retired": ("The installed needle cannot be retired", "Install another needle and record that first."),
}


def refused_change(what: str, field: str, value: Any) -> dict[str, Any]:
    """The refusal of a change that is no change of the set-up, as an error's arguments."""
    message, cure = _REFUSED[what]
    seen = f"{value['value']:g} {value['unit']}" if isinstance(value, dict) else str(value)
    return {"message": message, "field": field, "value": seen, "cure": cure}


def set_up_words(entry: SetUpEntry, units: Units) -> str:
    """A change of the set-up in one line, in preferred units."""
    since = "It was always so" if entry.meaning == "correction" else "From then on"
    told = "; ".join(_one(name, old, new, units) for name, (old, new) in entry.changes.items() if name)
    return f"{since}: {told}"


def _one(name: str, old: Any, new: Any, units: Units) -> str:
    if name.startswith("needles."):
        label, _, what = name.removeprefix("needles.").rpartition(".")
        if what == "retired":
            return f"needle {label} {'retired' if new else 'added' if old is None else 'in use again'}"
        called = f"Taper slope of needle {label}"
    else:
        called = NAMES.get(name, name)
    kind = next((kind for start, kind in _KINDS if name.startswith(start)), "")
    return f"{called}: {_said(old, kind, units)} → {_said(new, kind, units)}"


def _said(value: Any, kind: str, units: Units) -> str:
    if value is None:
        return "not set"
    if not isinstance(value, dict):
        return str(value).replace("_", "-")
    number, unit = value["value"], value["unit"]
    if kind:
        number, unit = from_si(kind, to_si(kind, number, unit), getattr(units, kind)), getattr(units, kind)
    return f"{rounded(number, unit, kind)} {sign(unit)}".strip()
