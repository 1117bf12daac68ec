"""Between the form of a run and its document: what is missing, and what the fields stand for."""

from typing import Any

from taperwise.api.core.validation_errors import FieldError, shown
from taperwise.api.presentation.card_text import MISSING
from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.api.web.form_data import Typed, flat
from taperwise.shared.errors import TaperwiseError
from taperwise.shared.units import from_si, to_si

__all__ = ["FIELDS", "document_of", "fields_of", "missing", "trace_of_form"]

FIELDS = (
    *("air_temperature", "elevation", "sureness", "note", "time"),
    *dict.fromkeys(each.name.partition(".")[0] for each in OBSERVATIONS if each.place),
)
"""Fields of a run that stand in the form under their own names."""

_COLUMNS = {
    "time": "trace_time", "temperature_unit": "trace_unit", "time_unit": "trace_time_unit",
    "decimal": "trace_decimal", "date_order": "trace_date_order",
}  # fmt: skip
"""Field of the form for each field of the mapping but `egt`."""

_RISE_UNITS = {"degF": "delta_degF", "degC": "delta_degC", "kelvin": "kelvin"}


def document_of(typed: Typed) -> dict[str, Any]:
    """The run a form stands for."""
    document = typed.document(*FIELDS)
    kind = typed.get("pressure_kind") or "altimeter_setting"
    given = typed.document("air_pressure").get("air_pressure")
    if given and kind in ("altimeter_setting", "pressure"):
        document[kind] = given
    rise = _rise(typed)
    if rise is not None:
        document["egt_rise"] = rise
    peak = _number(typed, "egt_peak.value")
    if peak is not None and rise and rise["seen"] == "peak" and "egt" not in document.get("highest", {}):
        there = {"value": peak, "unit": typed.get("egt_rich.unit")}
        document["highest"] = {**document.get("highest", {}), "egt": there}  # watched against the engine's limit
    leaned, idle = (_number(typed, f"{name}.value") for name in ("idle_leaned", "idle_rpm"))
    if leaned is not None and idle is not None and "idle_rpm_rise" not in document:
        document["idle_rpm_rise"] = {"value": leaned - idle, "unit": "rpm"}
    if typed.get("trace"):
        document["trace"] = trace_of_form(typed)
    return document


def trace_of_form(typed: Typed) -> dict[str, Any]:
    """The logger file with what was said of its columns: boxes ticked, or headings typed."""
    ticked = [typed.raw[name] for name in sorted(typed.raw) if name.startswith("trace_use.")]
    egt = ticked or [name.strip() for name in typed.get("trace_egt").split(";") if name.strip()]
    given = {"egt": egt, **{name: typed.get(field) for name, field in _COLUMNS.items()}}
    found: dict[str, Any] = {"csv": typed.raw["trace"]}
    if any(given.values()):
        found["mapping"] = {name: value for name, value in given.items() if value}
    return found


def _number(typed: Typed, name: str) -> float | None:
    found = typed.document(name.partition(".")[0]).get(name.partition(".")[0], {}).get("value")
    return found if isinstance(found, int | float) else None


def _temperature(typed: Typed, name: str) -> tuple[float, str] | None:
    """One of the two exhaust temperatures [K] with its unit; None if it is none."""
    value, unit = _number(typed, f"{name}.value"), typed.get("egt_rich.unit")
    if value is None or unit not in _RISE_UNITS:
        return None
    try:
        return to_si("exhaust_temperature", value, unit), unit
    except TaperwiseError:
        return None


def _between(typed: Typed) -> dict[str, Any] | None:
    """The rise from the exhaust temperature at full rich to the one at the peak."""
    rich, peak = _temperature(typed, "egt_rich"), _temperature(typed, "egt_peak")
    if rich is None or peak is None:
        return None
    unit = _RISE_UNITS[peak[1]]
    return {"value": round(from_si("temperature_rise", peak[0] - rich[0], unit), 1), "unit": unit}


def _rise(typed: Typed) -> dict[str, Any] | None:
    """What leaning showed; a rise typed without a word on how it went is one to a peak."""
    values = typed.document("peak", "rough")
    peak = values.get("peak") or _between(typed)
    seen = typed.get("seen") or ("peak" if peak else "")
    match seen:
        case "peak":
            return {"seen": "peak", **({"rise": peak} if peak else {})}
        case "rough_before_peak":
            return {"seen": seen, **({"rise": values["rough"]} if "rough" in values else {})}
        case "":
            return None
    return {"seen": seen}


def missing(typed: Typed, *, has_elevation: bool) -> list[FieldError]:
    """Everything that the form lacks at once, by the names of its fields.

    Parameters
    ----------
    has_elevation : bool
        Whether the set-up knows the elevation of the field.
    """
    wrong = []
    if not typed.get("air_temperature.value"):
        wrong.append(_lacks("air_temperature"))
    if not typed.get("air_pressure.value"):
        wrong.append(_lacks("pressure"))
    if not has_elevation and typed.get("pressure_kind") != "pressure" and not typed.get("elevation.value"):
        wrong.append(_lacks("elevation"))
    wrong += _rise_wrong(typed)
    document = document_of(typed)
    held = {each.name.partition(".")[0] for each in OBSERVATIONS if each.place != "air"} | {"egt_rise", "trace"}
    if not wrong_rise(wrong) and not held & document.keys():
        wrong.append(_lacks("observation", "run"))
    return wrong


def wrong_rise(wrong: list[FieldError]) -> bool:
    """Whether one of the exhaust temperatures is wrong."""
    return any(e.field.startswith("egt_") for e in wrong)


def _rise_wrong(typed: Typed) -> list[FieldError]:
    """What is wrong with the two exhaust temperatures, where a peak was seen and no rise was typed."""
    if typed.get("seen") not in ("", "peak") or typed.get("peak.value"):
        return []
    given = [name for name in ("egt_rich", "egt_peak") if typed.get(f"{name}.value")]
    if len(given) == 1:
        return [_lacks(name) for name in ("egt_rich", "egt_peak") if name not in given]
    wrong = [_unread(typed, name) for name in given if _temperature(typed, name) is None]
    rise = _between(typed)
    if rise is not None and rise["value"] <= 0:
        wrong.append(_lacks("egt_order", "egt_peak"))
    return wrong


def _unread(typed: Typed, name: str) -> FieldError:
    """What is wrong with a temperature, in the words of its unit."""
    text = typed.get(f"{name}.value")
    value = _number(typed, f"{name}.value")
    if value is not None:
        try:
            to_si("exhaust_temperature", value, typed.get("egt_rich.unit"))
        except TaperwiseError as error:
            return FieldError(field=name, value=shown(text), message=error.message, cure=error.cure)
    return FieldError(field=name, value=shown(text), message="this is no number", cure="Enter figures.")


def _lacks(what: str, field: str = "") -> FieldError:
    message, cure = MISSING[what]
    return FieldError(field=field or what, value="", message=message, cure=cure)


def fields_of(document: dict[str, Any], names: tuple[str, ...]) -> dict[str, str]:
    """The form's fields for a run as it is stored: the other way round from `document_of`."""
    found: dict[str, str] = {}
    for name in names:
        value = document.get(name)
        if value is None:
            continue
        if name in ("pressure", "altimeter_setting"):
            found |= {"pressure_kind": name, **flat("air_pressure", value)}
        elif name == "egt_rise":
            found["seen"] = value["seen"]
            if "rise" in value:
                found |= flat("peak" if value["seen"] == "peak" else "rough", value["rise"])
        else:
            found |= flat(name, value)
    return found
