"""How many decimals a figure is read with, by its unit: what no gauge shows is not printed."""

__all__ = ["rounded"]

_DECIMALS = {
    "degF": 1, "degC": 1, "kelvin": 1, "delta_degF": 1, "delta_degC": 1, "inHg": 2, "hPa": 1, "mbar": 1, "mmHg": 1,
    "kPa": 2, "Pa": 0, "rpm": 0, "ft": 0, "mm": 3, "cm": 3, "in": 4, "mm/m": 2, "percent": 3, "gal/h": 1, "l/h": 1,
    "cc/s": 2, "cc": 0, "cm**3": 0, "litre": 2, "L": 2, "in**3": 1,
}  # fmt: skip


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
    return "0" if text in ("-0", "") else text
