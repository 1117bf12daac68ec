"""Figures with the decimals that a gauge shows, and with the decimal sign of whoever reads them.

Digits are never grouped: a form takes both signs for the decimal sign, so "2.780" would be read as 2.78.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

__all__ = ["number", "read_with", "respelled", "rounded", "sign_now"]

_DECIMALS = {
    "degF": 1, "degC": 1, "kelvin": 1, "delta_degF": 1, "delta_degC": 1, "inHg": 2, "hPa": 1, "mbar": 1, "mmHg": 1,
    "kPa": 2, "Pa": 0, "rpm": 0, "ft": 0, "mm": 3, "cm": 3, "in": 4, "mm/m": 2, "percent": 3, "gal/h": 1, "l/h": 1,
    "cc/s": 2, "cc": 0, "cm**3": 0, "litre": 2, "L": 2, "in**3": 1,
}  # fmt: skip

_UNITS = "|".join(map(re.escape, sorted((*_DECIMALS, "°", "%", "turn"), reverse=True)))
_FIGURE = re.compile(rf"(?<![\w.:])(\d+)\.(\d+)(?= ?(?:{_UNITS}))")  # not the name of a needle, nor that of a file
_sign: ContextVar[str] = ContextVar("decimal_sign", default=".")


def sign_now() -> str:
    """The decimal sign of whoever reads; a point, unless a page or a command asks for another."""
    return _sign.get()


@contextmanager
def read_with(sign: str) -> Iterator[None]:
    """Write figures with this decimal sign."""
    token = _sign.set(sign)
    try:
        yield
    finally:
        _sign.reset(token)


def number(value: float, form: str) -> str:
    """A figure in a format of Python's, with the reader's decimal sign.

    Examples
    --------
    >>> with read_with(","):
    ...     number(12.5, ".2f"), number(-1.5, "+.1f")
    ('12,50', '-1,5')
    """
    return f"{value:{form}}".replace(".", _sign.get())


def respelled(text: str) -> str:
    """A sentence worded for programs, such as an error, with the reader's decimal sign in its figures with a unit.

    Examples
    --------
    >>> with read_with(","):
    ...     respelled("Give at most 0.25 turn, or needle 2.5 of sweep 2026.11.csv.")
    'Give at most 0,25 turn, or needle 2.5 of sweep 2026.11.csv.'
    """
    return _FIGURE.sub(lambda found: f"{found[1]}{_sign.get()}{found[2]}", text)


def rounded(value: float, unit: str, kind: str = "") -> str:
    """A figure with sensible digits, and without noughts at its end.

    Examples
    --------
    >>> rounded(61.666667, "degC"), rounded(29.98, "inHg"), rounded(198.12, "m", "elevation"), rounded(0.034, "m")
    ('61.7', '29.98', '198', '0.034')
    """
    decimals = 0 if (unit, kind) == ("m", "elevation") else _DECIMALS.get(unit)
    text = f"{value:.4g}" if decimals is None else f"{value:.{decimals}f}"
    text = text.rstrip("0").rstrip(".") if "." in text and "e" not in text else text
    return "0" if text in ("-0", "") else text.replace(".", _sign.get())
