"""Readings that no engine gives: seen from the readings alone, before anything is drawn for them.

Chains that are to fit such readings find no way through them: they cost several times as much as those of an engine,
and come to nothing. Only what is off by more than air, gauges and hands together can explain is counted.
"""

import math
from collections import defaultdict
from collections.abc import Hashable, Iterator
from statistics import median
from typing import NamedTuple

from taperwise.model.inference.dataset import MOST_RUNS, Evidence, Position
from taperwise.shared.runs import RiseSeen, Run

__all__ = ["contradicts_itself"]

_LEAST_COMPARED = 8
"""Runs that share a setting with at least two others; fewer are for the sampler to judge."""

_SHARE = 0.25
"""Share of them that is off, from which no engine gives such a log; judgement."""

_RISE_KELVIN = 120.0
_STATIC, _METER = 0.15, 0.25
"""How far a reading may be off the middle of those at its setting, several times what air and gauges make: a rise [K],
and the logarithm of a speed or of what a meter shows; judgement.
"""


class _Reading(NamedTuple):
    """A reading, and what it may be compared with: others of the same kind, at the same setting."""

    alike: Hashable
    value: float
    allowed: float


def contradicts_itself(evidence: Evidence) -> bool:
    """Whether many runs are far off the others that were made at their settings, in any reading.

    Parameters
    ----------
    evidence : Evidence
        Its latest `MOST_RUNS` runs are looked at.
    """
    groups: dict[Hashable, list[tuple[int, _Reading]]] = defaultdict(list)
    for number, (position, run) in enumerate(evidence.trail[-MOST_RUNS:]):
        for reading in _readings(position, run):
            groups[reading.alike].append((number, reading))
    compared, off = set[int](), set[int]()
    for group in groups.values():
        if len(group) > 2:
            middle = median(reading.value for _, reading in group)
            compared.update(number for number, _ in group)
            off.update(number for number, reading in group if abs(reading.value - middle) > reading.allowed)
    return len(compared) >= _LEAST_COMPARED and len(off) >= _SHARE * len(compared)


def _readings(position: Position, run: Run) -> Iterator[_Reading]:
    """What is compared of a run. Static speed is, whatever was turned: it hardly hangs on the mixture. Idle speed is
    not: in thin or cold air an engine idles much faster or slower.
    """
    parts = (position.changes, position.fuel)
    if run.rise is not None and run.rise.seen is RiseSeen.PEAK:
        yield _Reading(("rise", parts, position.turns), run.rise.kelvin, _RISE_KELVIN)
    if run.static_rpm:
        yield _Reading(("static", parts), math.log(run.static_rpm), _STATIC)
    for name, value in run.meters:
        yield _Reading((name, parts, position.turns), math.log(value), _METER)
