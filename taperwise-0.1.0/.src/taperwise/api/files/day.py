"""A tuning day as a file: an installation and what was posted, in the service's own JSON."""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import TypeAdapter, ValidationError

from taperwise.api.schemas.adjustments import AdjustmentIn, AdjustmentKinds
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.quantities import Pressure, Rise, Rpm, Temperature
from taperwise.api.schemas.run import RunIn
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.records import Adjustment, ChangeNeedle, ChangePart, TurnIdleStop, TurnScrew
from taperwise.shared.runs import RiseSeen, Run

__all__ = ["Script", "adjustment_body", "read", "run_body"]

_ADJUSTMENT: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)


@dataclass(frozen=True)
class Script:
    """An installation and its entries as sent."""

    about: str
    installation: InstallationIn
    entries: tuple[RunIn | AdjustmentKinds, ...]


def read(path: Path) -> Script:
    """Read a script.

    Raises
    ------
    InvalidValueError
        If the file is missing, is not JSON, or holds what the service would refuse.
    """
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        entries = tuple(_entry(e) for e in document["log"])
        return Script(document.get("about", ""), InstallationIn.model_validate(document["installation"]), entries)
    except (OSError, ValueError, KeyError, TypeError, ValidationError) as error:
        raise InvalidValueError(
            f"The script cannot be read: {str(error).splitlines()[0]}",
            field="file",
            value=path.name,
            cure="Make a script with `taperwise simulate --json`.",
        ) from error


def _entry(document: Any) -> RunIn | AdjustmentKinds:
    if document["post"] == "runs":
        return RunIn.model_validate(document["body"])
    return _ADJUSTMENT.validate_python(document["body"])


def run_body(run: Run) -> dict[str, Any]:
    """A run as the body of a request, rounded as a person would write it."""
    body: dict[str, Any] = {
        "air_temperature": _quantity(Temperature, run.air.temperature_kelvin, "degF", 0),
        "pressure": _quantity(Pressure, run.air.pressure_pascal, "inHg", 2),
    }
    if run.rise is not None:
        body["egt_rise"] = {"seen": run.rise.seen.value}
        if run.rise.seen is not RiseSeen.FELL_AT_ONCE:
            body["egt_rise"]["rise"] = _quantity(Rise, run.rise.kelvin, "delta_degF", 0)
    if run.idle_quality is not None:
        body["idle_quality"] = run.idle_quality.name.lower()
    for name in ("idle_rpm_rise", "static_rpm", "idle_rpm"):
        value = getattr(run, name)
        if value is not None:
            body[name] = {"value": float(round(value, -1)), "unit": "rpm"}
    return RunIn.model_validate(body).model_dump(mode="json", exclude_none=True, exclude_defaults=True)


def _quantity(kind: type[Temperature] | type[Pressure] | type[Rise] | type[Rpm], x: float, unit: str, n: int) -> Any:
    q = kind.of(x, unit)
    return {"value": round(q.value, n), "unit": unit}


def adjustment_body(adjustment: Adjustment) -> dict[str, Any]:
    """An adjustment as the body of a request."""
    match adjustment:
        case TurnScrew(turns):
            return {"kind": "turn_screw", "turns": turns}
        case TurnIdleStop(turns):
            return {"kind": "turn_idle_stop", "turns": turns}
        case ChangeNeedle(needle, turns):
            return {"kind": "change_needle", "needle": needle, "turns_from_mark": turns}
        case ChangePart(part, fuel):
            return {"kind": "change_part", "part": part.value, **({"fuel": fuel.value} if fuel else {})}
