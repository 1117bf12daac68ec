"""A turn of a hex key as people write it: 1/8, 3/16, 1 1/4, 0,125."""

import re

__all__ = ["SIZES", "turns_in"]

SIZES = ("1/16", "1/8", "3/16", "1/4")
"""Turns that a hex key is usually given, smallest first."""

_SIGNS = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8", "−": "-"}
_WRITTEN = re.compile(
    r"(?P<sign>[+-]?) ?(?:(?P<whole>\d{1,2}) )?(?P<over>\d{1,2}) ?/ ?(?P<under>\d{1,2})(?: turns?)?"
    r"|(?P<plain>[+-]?(?:\d{1,15}(?:[.,]\d*)?|[.,]\d+))(?: turns?)?"
)
_FINEST = 64


def turns_in(text: str) -> float | None:
    """The turns a text stands for [turns]; None if it stands for none.

    Examples
    --------
    >>> turns_in("1/8"), turns_in("-1 1/4 turns"), turns_in("1¼"), turns_in("0,125"), turns_in("some")
    (0.125, -1.25, 1.25, 0.125, None)
    """
    for sign, plain in _SIGNS.items():
        text = text.replace(sign, plain if sign == "−" else f" {plain}")
    found = _WRITTEN.fullmatch(re.sub(r"\s+", " ", text).strip().lower().removeprefix("+ "))
    if found is None:
        return None
    if found["plain"] is not None:
        return float(found["plain"].replace(",", "."))
    under = int(found["under"])
    if not 0 < under <= _FINEST:
        return None
    size = int(found["whole"] or 0) + int(found["over"]) / under
    return -size if found["sign"] == "-" else size
