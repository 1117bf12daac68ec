"""Our own drawings: the hex key's turn as lines and arcs for a template."""

import math
from dataclasses import dataclass

from taperwise.shared.records import TurnSense

__all__ = ["KeyTurn", "key_turn"]

_CENTRE = 100.0
_ARM, _ARC, _TICK_IN, _TICK_OUT = 66.0, 80.0, 86.0, 95.0
_HEAD = 11.0


@dataclass(frozen=True)
class KeyTurn:
    """A turn as it looks from the hex key, in a square of 200 by 200.

    Parameters
    ----------
    arc : str
        Path of the turn, from the top.
    head : str
        Points of the arrow's head.
    start, end : tuple of float
        Tips of the key's arm before and after.
    ticks : tuple of (x1, y1, x2, y2)
        An eighth each.
    degrees : float
        Angle of the turn, without sign.
    clockwise : bool
    """

    arc: str
    head: str
    start: tuple[float, float]
    end: tuple[float, float]
    ticks: tuple[tuple[float, float, float, float], ...]
    degrees: float
    clockwise: bool


def _at(degrees: float, radius: float) -> tuple[float, float]:
    """A point on the dial; 0 is the top, clockwise is positive, as a clock goes on paper."""
    a = math.radians(degrees)
    return round(_CENTRE + radius * math.sin(a), 2), round(_CENTRE - radius * math.cos(a), 2)


def key_turn(turns: float, sense: TurnSense) -> KeyTurn | None:
    """The drawing of a turn; None for a whole turn or more, and for none, which need words instead."""
    degrees = 360.0 * abs(turns)
    if not 0.0 < degrees < 360.0:
        return None
    clockwise = sense is TurnSense.CLOCKWISE
    way = 1.0 if clockwise else -1.0
    (x0, y0), (x1, y1) = _at(0.0, _ARC), _at(way * degrees, _ARC)
    arc = f"M {x0} {y0} A {_ARC} {_ARC} 0 {int(degrees > 180.0)} {int(clockwise)} {x1} {y1}"
    back = way * (degrees - math.degrees(_HEAD / _ARC) * 1.5)
    head = " ".join(f"{x},{y}" for x, y in ((x1, y1), _at(back, _ARC + _HEAD * 0.8), _at(back, _ARC - _HEAD * 0.8)))
    ticks = tuple((*_at(45.0 * i, _TICK_IN), *_at(45.0 * i, _TICK_OUT)) for i in range(8))
    return KeyTurn(arc, head, _at(0.0, _ARM), _at(way * degrees, _ARM), ticks, degrees, clockwise)
