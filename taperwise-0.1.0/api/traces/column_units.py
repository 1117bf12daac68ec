"""Units as headings write them, and what they are called inside."""

import unicodedata

__all__ = ["FLOWS", "PRESSURES", "SECONDS", "TEMPERATURES", "is_unit", "plain"]

TEMPERATURES = {
    "f": "degF", "degf": "degF", "°f": "degF", "fahrenheit": "degF", "degreef": "degF", "degreesf": "degF",
    "c": "degC", "degc": "degC", "°c": "degC", "celsius": "degC", "degreec": "degC", "degreesc": "degC",
    "k": "kelvin", "kelvin": "kelvin", "°k": "kelvin", "degk": "kelvin",
}  # fmt: skip
FLOWS = {
    "gal/h": "gal/h", "gal/hr": "gal/h", "gph": "gal/h", "usgph": "gal/h", "usg/h": "gal/h",
    "l/h": "l/h", "l/hr": "l/h", "lph": "l/h", "cc/s": "cc/s", "ml/s": "cc/s",
}  # fmt: skip
PRESSURES = {"inhg": "inHg", "hpa": "hPa", "mbar": "hPa", "mb": "hPa", "kpa": "kPa", "pa": "Pa"}
SECONDS = {
    "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0,
    "ms": 1e-3, "msec": 1e-3, "millisecond": 1e-3, "milliseconds": 1e-3,
    "min": 60.0, "mins": 60.0, "minute": 60.0, "minutes": 60.0,
    "h": 3600.0, "hr": 3600.0, "hrs": 3600.0, "hour": 3600.0, "hours": 3600.0,
    "d": 86_400.0, "day": 86_400.0, "days": 86_400.0,
}  # fmt: skip
"""Length of a unit of time [s]."""

_OTHERS = {"rpm", "1/min", "r/min", "%", "lambda", "psi", "bar", "v", "volt", "a", "amp", "mm", "ft", "m", "-", "1"}


def plain(unit: str) -> str:
    """A unit without case, space and points, its degree sign as one character."""
    text = unit.replace("º", "°").replace("˚", "°")
    return unicodedata.normalize("NFKC", text).lower().replace(" ", "").replace(".", "")


def is_unit(text: str) -> bool:
    """Whether this is a unit that a logger could write."""
    word = plain(text)
    return any(word in known for known in (TEMPERATURES, FLOWS, PRESSURES, SECONDS, _OTHERS))
