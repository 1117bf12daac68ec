"""Numbers as loggers and spreadsheets write them: decimal point or comma, grouped thousands, a unit behind."""

import math
import re
from collections.abc import Sequence

__all__ = ["Decimal", "decimal_of", "is_gap", "number"]

Decimal = str
"""``.`` or ``,``."""

_GAPS = {"", "nan", "n/a", "na", "null", "none", "err", "error", "open", "fault", "off", "inf", "#n/a", "#value!"}
_MARKS = re.compile(r"[-–—*.#?_]+")
_SPACED = re.compile(r"(?<=\d)[ \u00a0\u2009\u202f'\u2019](?=\d{3}(?!\d))")


def _only(decimal: str, group: str) -> re.Pattern[str]:
    """Fields, one a line, that are a number with this decimal sign alone."""
    d, g = re.escape(decimal), re.escape(group)
    kinds = (
        rf"\d{{1,3}}(?:{g}\d{{3}})+{d}\d*",  # 1.013,5
        rf"\d{{1,3}}(?:{g}\d{{3}}){{2,}}",  # 1.013.500
        rf"0*{d}\d+",  # 0,125 and ,5
        rf"\d+{d}(?:\d{{0,2}}|\d{{4,}})",  # 704,2
        rf"\d{{4,}}{d}\d+",  # 1310,125
        rf"\d+{d}\d+[eE][+-]?\d+",
    )
    return re.compile(rf"^[+-]?(?:{'|'.join(kinds)})$", re.MULTILINE)


_SURE = {".": _only(".", ","), ",": _only(",", ".")}
_EITHER = re.compile(r"^[+-]?[1-9]\d{0,2}[.,]\d{3}$", re.MULTILINE)


def is_gap(field: str) -> bool:
    """Whether a logger writes this for no sample."""
    return field.lower() in _GAPS or _MARKS.fullmatch(field) is not None


def decimal_of(fields: Sequence[str]) -> tuple[set[Decimal], bool]:
    """Decimal signs that these fields show beyond doubt, and whether some could be read with either sign."""
    together = _SPACED.sub("", "\n".join(field for field in fields if "," in field or "." in field))
    return {sign for sign, sure in _SURE.items() if sure.search(together)}, _EITHER.search(together) is not None


def number(field: str, decimal: Decimal) -> float | None:
    """The number of a field; None where it is none."""
    try:
        value = float(field)
    except ValueError:
        value = math.nan
    if decimal == "." and math.isfinite(value):
        return value
    plain = _SPACED.sub("", field)
    group = "." if decimal == "," else ","
    whole, _, rest = plain.partition(decimal)
    if group in whole and not re.fullmatch(rf"[+-]?\d{{1,3}}({re.escape(group)}\d{{3}})+", whole):
        return None
    try:
        value = float(f"{whole.replace(group, '')}.{rest}" if rest else whole.replace(group, ""))
    except ValueError:
        return None
    return value if math.isfinite(value) else None
