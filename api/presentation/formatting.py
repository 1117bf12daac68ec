"""Figures in words, for people: signs of units, chances, turns with their effect."""

import re
from collections.abc import Callable
from datetime import datetime
from fractions import Fraction

from taperwise.api.presentation.chance_text import STAGES, chance
from taperwise.api.presentation.digits import number, respelled, rounded, sign_now
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
    "direction",
    "fraction",
    "from_mark",
    "got",
    "moment",
    "percent",
    "quantity",
    "runs",
    "screw",
    "shown",
    "sign",
    "stop",
    "taper_digits",
    "taper_range",
    "to_finish",
    "turns_range",
    "units_of",
    "with_form_labels",
]

_NO_TURN = 1 / 128  # below half of the finest fraction that is written

_SIGNS = {
    "degF": "°F", "degC": "°C", "kelvin": "K", "delta_degF": "°F", "delta_degC": "°C", "percent": "%", "fraction": "",
    "1": "", "in**3": "in³", "cm**3": "cm³", "litre": "L", "turn": "turns",
}  # fmt: skip

LABELS = {
    **{each.name: each.named or each.words for each in OBSERVATIONS if "." not in each.name},
    "altimeter_setting": "altimeter setting",
    "air_temperature": "air temperature",
    "taper_slope": "taper slope",
    "fitted_needle": "installed needle",
    "needle_step": "typical step",
    "turns_from_mark": "turns from the mark",
    "throttle_body": "throttle body",
    "egt_probes": "exhaust probes",
    "screw_pitch": "needle movement per turn",
    "slide_stroke": "slide travel",
    "idle_opening": "slide opening at idle",
    "orifice_diameter": "orifice diameter",
    "needle_diameter": "needle diameter",
    "mark_to_orifice": "mark to orifice",
    "idle_stop_pitch": "slide movement per turn",
    "installation_id": "engine number",
    "sequence": "entry number",
}
"""Names of fields as the forms call them."""

_PLAIN = re.compile(r"-?\d+\.\d+( \S+)?")  # a unit may follow
_NAMED = {"needle", "fitted_needle", "label", "name", "cause", "reason", "note"}
_NAMES = re.compile(r"\b(" + "|".join(LABELS) + r")\b")


def with_form_labels(text: str) -> str:
    """An error with the fields named as the form names them, without what only the API needs."""
    text = re.sub(r"\.value$", "", respelled(text))
    plain = text.replace(", without quotes", "").replace(" The OpenAPI page at /docs lists the kinds.", "")
    return _NAMES.sub(lambda found: LABELS[found.group()], plain)


def got(value: str, field: str) -> str:
    """A value that was refused; a figure has the reader's decimal sign, a name or a label stays as it is."""
    figure = field.rpartition(".")[2] not in _NAMED and _PLAIN.fullmatch(value)
    return value.replace(".", sign_now(), 1) if figure else value


def sign(unit: str) -> str:
    """A unit as it is written beside a number."""
    return _SIGNS.get(unit, unit)


def units_of(kind: str) -> list[tuple[str, str]]:
    """Units a kind may be given in, each with its sign."""
    return [(unit, sign(unit)) for unit in KINDS[kind].units]


def quantity(q: Quantity | Shown) -> str:
    """A number with its unit's sign."""
    return _beside(rounded(q.value, q.unit, getattr(q, "kind", "")), q.unit)


def shown(kind: str, inside: float, unit: str, digits: int = 0) -> str:
    """An inside value in a unit, rounded for reading."""
    return _beside(number(from_si(kind, inside, unit), f".{digits}f"), unit)


def _beside(number: str, unit: str) -> str:
    """A number and its unit; a per cent sign stays on the number's line."""
    return f"{number}{chr(0xA0) if unit == 'percent' else ' '}{sign(unit)}".strip()


def percent(x: float) -> str:
    """A share in whole per cent: ``12 %``."""
    return f"{100 * x:.0f}\u00a0%"


def runs(count: int) -> str:
    """A number of runs: ``1 run``, ``2 runs``."""
    return f"{count} run" if count == 1 else f"{count} runs"


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
    return "no turn" if abs(turns) < _NO_TURN else f"{fraction(turns)} {'richer' if turns > 0 else 'leaner'}"


def from_mark(turns: float) -> str:
    """Holder position: ``1/4 turn richer than the mark``."""
    return "at the mark" if abs(turns) < _NO_TURN else f"{screw(turns)} than the mark"


def direction(sense: str | None) -> str:
    """A way of the hex key, as the owner gave it."""
    return "not known" if sense is None else sense.replace("_", "-")


def about(turns: float) -> str:
    """An estimate of signed turns, to the sixteenth: no hex key knows finer ones."""
    return screw(round(turns * 16) / 16)


def stop(turns: float) -> str:
    """Signed turns of the idle stop screw."""
    return "no turn" if abs(turns) < _NO_TURN else f"{fraction(turns)} {'faster' if turns > 0 else 'slower'}"


def turns_range(i: IntervalOut) -> str:
    """Turns to target with the range that holds them 9 times in 10, to the sixteenth.

    ``9/16 turn leaner (5/16 to 3/4 leaner, 9 times in 10)``; ``(1/8 leaner to 1/4 richer, 9 times in 10)`` where the
    range holds both ways.
    """
    return _directed(i, about, lambda x: fraction(x).split(" turn")[0], ("leaner", "richer"), 1 / 16)


def taper_range(i: IntervalOut) -> str:
    """Slope of the ideal needle beside the installed one's, with the range that holds it 9 times in 10."""
    digits = taper_digits(i.unit)

    def size(x: float) -> str:
        return number(abs(x), f".{digits}f")

    def words(x: float) -> str:
        way = "steeper" if x > 0 else "shallower"
        return f"{_beside(size(x), i.unit)} {way}" if round(abs(x), digits) else "as steep as the installed one"

    return _directed(i, words, size, ("shallower", "steeper"), 10.0**-digits)


def _directed(
    i: IntervalOut, words: Callable[[float], str], size: Callable[[float], str], ways: tuple[str, str], step: float
) -> str:
    """A median with its range, ends without signs: ways stand in words."""
    low, high = (round(x / step) * step for x in i.interval_90)
    below, above = ways
    if low < 0 < high:
        between = f"{size(low)} {below} to {size(high)} {above}"
    else:
        near, far = sorted((abs(low), abs(high)))
        between = f"{size(near)} to {size(far)} {above if high > 0 else below}"
    return f"{words(i.median)} ({between}, 9 times in 10)"


def taper_digits(unit: str) -> int:
    """Decimals that a taper slope is read to in a unit: a needle's is known to a tenth of a millimetre in a metre."""
    return {"mm/m": 1, "percent": 2}.get(unit, 4)


def to_finish(expected: RunsToFinishOut) -> str:
    """How many more runs are expected, with the range that holds 8 times in 10."""
    low, high = max(1, expected.low_80), max(1, expected.high_80)
    between = f"{low}" if low == high else f"{low} to {high}"
    return f"Expect about {runs(max(1, round(expected.expected)))} to finish ({between}, 8 times in 10)"


def moment(time: datetime, seconds: bool = False) -> str:
    """Date and time of day, UTC."""
    return time.strftime("%Y-%m-%d %H:%M:%S UTC" if seconds else "%Y-%m-%d %H:%M UTC")
