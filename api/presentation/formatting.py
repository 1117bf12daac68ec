"""Figures in words, for people: signs of units, chances, turns with their effect."""

import re
from datetime import datetime
from fractions import Fraction

from taperwise.api.presentation.chance_text import STAGES, chance
from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.api.schemas.log import Shown
from taperwise.api.schemas.quantities import Quantity
from taperwise.api.schemas.recommendation import IntervalOut, RunsToFinishOut
from taperwise.shared.units import KINDS, from_si

__all__ = [
    "LABELS",
    "STAGES",
    "about",
    "chance",
    "fraction",
    "from_mark",
    "interval",
    "moment",
    "quantity",
    "screw",
    "shown",
    "sign",
    "stop",
    "taper_digits",
    "to_finish",
    "units_of",
    "with_form_labels",
]

_SIGNS = {
    "degF": "°F", "degC": "°C", "kelvin": "K", "delta_degF": "°F", "delta_degC": "°C", "percent": "%", "fraction": "",
    "1": "", "in**3": "in³", "cm**3": "cm³", "litre": "L", "turn": "turns",
}  # fmt: skip

LABELS = {
    **{each.name: each.named or each.words for each in OBSERVATIONS if "." not in each.name},
    "altimeter_setting": "altimeter setting",
    "air_temperature": "air temperature",
    "taper_slope": "taper slope",
    "fitted_needle": "fitted needle",
    "turns_from_mark": "turns from the mark",
    "throttle_body": "throttle body",
    "egt_probes": "exhaust probes",
    "screw_pitch": "screw pitch",
    "slide_stroke": "slide travel",
    "idle_opening": "idle opening",
    "orifice_diameter": "orifice diameter",
    "needle_diameter": "needle diameter",
    "mark_to_orifice": "mark to orifice",
    "idle_stop_pitch": "idle stop pitch",
}
"""Names of fields as the forms call them."""

_NAMES = re.compile(r"\b(" + "|".join(LABELS) + r")\b")


def with_form_labels(text: str) -> str:
    """A refusal with the fields called as the form calls them."""
    text = re.sub(r"\.value$", "", text)
    plain = text.replace(", without quotes", "").replace("; the OpenAPI page lists the kinds", "")
    return _NAMES.sub(lambda found: LABELS[found.group()], plain)


def sign(unit: str) -> str:
    """A unit as it is written beside a number."""
    return _SIGNS.get(unit, unit)


def units_of(kind: str) -> list[tuple[str, str]]:
    """Units a kind may be given in, each with its sign."""
    return [(unit, sign(unit)) for unit in KINDS[kind].units]


def quantity(q: Quantity | Shown) -> str:
    """A number with its unit's sign."""
    return f"{q.value:.6g} {sign(q.unit)}".strip()


def shown(kind: str, inside: float, unit: str, digits: int = 0) -> str:
    """An inside value in a unit, rounded for reading."""
    return f"{from_si(kind, inside, unit):.{digits}f} {sign(unit)}".strip()


def fraction(turns: float) -> str:
    """Turns in words a hex key knows: ``1/8 turn``, ``1 1/4 turns``.

    Examples
    --------
    >>> fraction(0.125), fraction(-1.25), fraction(0.0)
    ('1/8 turn', '1 1/4 turns', '0 turns')
    """
    whole, rest = divmod(Fraction(abs(turns)).limit_denominator(64), 1)
    words = " ".join(str(x) for x in (whole, rest) if x) or "0"
    return f"{words} turn" if 0 < whole + rest <= 1 else f"{words} turns"


def screw(turns: float) -> str:
    """Signed turns of the needle holder."""
    return "no turn" if abs(turns) < 1 / 128 else f"{fraction(turns)} {'richer' if turns > 0 else 'leaner'}"


def from_mark(turns: float) -> str:
    """Where the screw stands."""
    return "at its mark" if abs(turns) < 1 / 128 else f"{screw(turns)} from its mark"


def about(turns: float) -> str:
    """An estimate of signed turns, to the sixteenth: no hex key knows finer ones."""
    return screw(round(turns * 16) / 16)


def stop(turns: float) -> str:
    """Signed turns of the idle stop."""
    return "no turn" if abs(turns) < 1 / 128 else f"{fraction(turns)} {'faster' if turns > 0 else 'slower'}"


def interval(i: IntervalOut, digits: int = 0) -> str:
    """Median and the range that holds nine times in ten."""
    low, high = i.interval_90
    return f"{i.median:z.{digits}f} {sign(i.unit)} (90 %: {low:z.{digits}f} to {high:z.{digits}f})"


def taper_digits(unit: str) -> int:
    """Decimals that a taper slope is read to in a unit: a needle's is known to a tenth of a millimetre in a metre."""
    return {"mm/m": 1, "percent": 2}.get(unit, 4)


def to_finish(runs: RunsToFinishOut) -> str:
    """How many more runs are expected, with the range that holds 8 times in 10."""
    expected = round(runs.expected)
    low, high = max(1, runs.low_80), max(1, runs.high_80)
    between = f"{low}" if low == high else f"{low} to {high}"
    return f"About {max(1, expected)} more {'run' if expected <= 1 else 'runs'} to finish ({between}, 8 times in 10)"


def moment(time: datetime, seconds: bool = False) -> str:
    """Date and time of day, UTC."""
    return time.strftime("%Y-%m-%d %H:%M:%S UTC" if seconds else "%Y-%m-%d %H:%M UTC")
