"""Exhaust columns that cannot be what their heading says: dead, loose, detached or unlike the other probes.

Each rule compares a column with what combustion at full throttle must show, or with the columns beside it. The
thresholds are judgement unless a source stands beside them.
"""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from taperwise.model.traces.full_throttle import without_dropouts
from taperwise.model.traces.sweep import SweepReading
from taperwise.shared.findings import Finding, FindingCode

__all__ = ["COLDEST_KELVIN", "PLAUSIBLE_KELVIN", "poor_fits", "screen", "usable"]

_F = NDArray[np.float64]

PLAUSIBLE_KELVIN = (200.0, 1300.0)
"""What a working exhaust probe can show [K], to 1,880 °F; beyond it a sample is a gap. Judgement: 1,400 to 1,650 °F at
the peak are common, no published source; degrees Fahrenheit taken for Celsius come to more."""

COLDEST_KELVIN = 700.0
"""Least exhaust temperature of combustion at full throttle [K], 800 °F; common practice, no published source."""

_FEWEST, _SHORTEST = 20, 8.0  # samples, s: less is no sweep, as in `taperwise.model.traces.sweep`
_BLOCK = 3.0  # s, over which a median is taken
_MEDIAN_COST = np.pi / 2  # variance of a median over that of a mean, normal scatter
_FINEST = 0.3  # K: a logger that writes whole degrees Fahrenheit scatters by 0.16 K at least
_LEAST_SPAN = 5.0  # K
_STRUCTURE = 2.0  # times the variance that scatter alone would give
_SLOWEST = 1.0  # K/s: a straight line no steeper than this is no leaning
_JUMP = 200.0  # K between two samples: no sheathed probe follows so fast
_JUMPS = 4  # there and back, twice
_GAP = 3.0  # s without a sample where the file has rows
_WEAK = 0.22  # share of the others' span
_RESTLESS, _RESTLESS_KELVIN = 0.3, 5.0  # movement before leaning as a share of that after, and K
_LATER, _LATEST, _LESS = 2.5, 25.0, 0.9  # s after the others, s that are another leaning, share of their rise
_LOW = 0.85  # share of the others' level [K/K]: 220 °F below 1,000 °F and more are no matter of cylinders; judgement
_POOR, _POOR_KELVIN = 2.0, 3.0  # scatter around the fit: times that of the samples, and K
_ALIKE, _ALIKE_KELVIN = 0.95, 0.6  # share of samples that agree, within a degree Fahrenheit


@dataclass(frozen=True)
class _Signal:
    """One column: usable samples in order of time, their scatter, medians of blocks, and how many each holds."""

    seconds: _F
    kelvin: _F
    noise: float
    at: _F
    level: _F
    count: _F

    @property
    def span(self) -> float:
        """Range of the block medians [K]."""
        return float(np.ptp(self.level))

    def structure(self, *shapes: _F) -> float:
        """Variance of the block medians that is left after a fit of shapes, over what scatter alone would give."""
        weight = np.sqrt(self.count)
        design = np.column_stack([np.ones(len(self.at)), *shapes]) * weight[:, None]
        free = len(self.at) - design.shape[1]
        if free < 2:
            return float("inf")
        left = self.level * weight - design @ np.linalg.lstsq(design, self.level * weight, rcond=None)[0]
        return float(left @ left / free / (_MEDIAN_COST * self.noise**2))

    def scatter(self) -> float:
        """Standard error of a block's median [K]."""
        return float(np.sqrt(_MEDIAN_COST / np.median(self.count)) * self.noise)

    def climb(self) -> tuple[float, float]:
        """When the column was at its top [s], and how far above where it began [K]."""
        top = int(np.argmax(self.level))
        return float(self.at[top]), float(self.level[top] - np.median(self.level[:2]))

    def moved(self, low: float, high: float) -> float:
        """Range of the block medians between two moments, less what scatter alone would give [K]."""
        inside = (self.at >= low) & (self.at < high)
        if inside.sum() < 2:
            return 0.0
        return max(float(np.ptp(self.level[inside])) - 2.5 * self.scatter(), 0.0)


def usable(kelvin: _F) -> NDArray[np.bool_]:
    """Which samples a working probe could have shown, shape (n,)."""
    low, high = PLAUSIBLE_KELVIN
    with np.errstate(invalid="ignore"):
        return np.asarray((kelvin >= low) & (kelvin <= high))


def _signal(seconds: _F, kelvin: _F) -> _Signal:
    keep = usable(kelvin) & np.isfinite(seconds)
    order = np.argsort(seconds[keep], kind="stable")
    t, x = seconds[keep][order], kelvin[keep][order]
    steps = np.diff(x)
    noise = 1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2.0) if len(steps) else 0.0
    number = ((t - t[0]) // _BLOCK).astype(int) if len(t) else np.zeros(0, int)
    each = [number == i for i in np.unique(number)]
    blocks = [(t[inside].mean(), np.median(x[inside]), inside.sum()) for inside in each]
    at, level, count = (np.array(c, float) for c in zip(*blocks, strict=True))
    return _Signal(t, x, max(noise, _FINEST), at, level, count)


def screen(seconds: _F, exhaust: dict[str, _F], begins: tuple[float, ...] = ()) -> tuple[Finding, ...]:
    """Name the columns that must not decide.

    Parameters
    ----------
    seconds : array, (n,)
    exhaust : dict of array
        Exhaust temperature by column [K], each (n,); NaN for a gap.
    begins : tuple of float
        Moments at which the mixture control was seen to leave full rich, if it was logged [s].

    Returns
    -------
    tuple of Finding
        One for each column that is unlike combustion or unlike the others; all of them are left out. Empty where no
        column holds samples enough to be judged.
    """
    order = np.argsort(seconds, kind="stable")
    seconds, exhaust = seconds[order], {name: x[order] for name, x in exhaust.items()}
    counts = {name: int((usable(x) & np.isfinite(seconds)).sum()) for name, x in exhaust.items()}
    if not any(_long_enough(seconds, x) for x in exhaust.values()):
        return ()
    most = max(counts.values())
    found = {
        name: Finding(FindingCode.NO_SIGNAL, name, figure=counts[name] / most)
        for name, x in exhaust.items()
        if not _long_enough(seconds, x)
    }
    signals = {name: _signal(seconds, x) for name, x in exhaust.items() if name not in found}
    for name, signal in signals.items():
        finding = _alone(name, signal) or _dropping_out(name, signals, seconds[np.isfinite(seconds)])
        if finding is not None:
            found[name] = finding
    healthy = {name: _signal(seconds, without_dropouts(exhaust[name])) for name in signals if name not in found}
    for rule in (_repeating, _low, _restless, _weak, _slow):
        while unlike := [f for name in healthy if (f := rule(name, healthy, begins)) is not None]:
            worst = min(unlike, key=lambda f: healthy[f.column].span)
            found[worst.column] = worst  # one at a time: the others are judged again without it
            del healthy[worst.column]
    return tuple(found[name] for name in exhaust if name in found)


def poor_fits(seconds: _F, exhaust: dict[str, _F], readings: dict[str, SweepReading]) -> tuple[Finding, ...]:
    """Columns whose reading scatters more around its fit than the samples do from one to the next.

    Parameters
    ----------
    seconds : array, (n,)
    exhaust : dict of array
        Exhaust temperature by column [K], each (n,).
    readings : dict
        Reading of columns that were read.
    """
    found = []
    for name, reading in readings.items():
        noise = _signal(seconds, exhaust[name]).noise
        if reading.seen == "peak" and reading.noise_kelvin > max(_POOR * noise, _POOR_KELVIN):
            found.append(Finding(FindingCode.POOR_FIT, name, figure=reading.noise_kelvin, usual=noise))
    return tuple(found)


def _long_enough(seconds: _F, kelvin: _F) -> bool:
    t = seconds[usable(kelvin) & np.isfinite(seconds)]
    return len(t) >= _FEWEST and bool(np.ptp(t) >= _SHORTEST)


def _alone(name: str, s: _Signal) -> Finding | None:
    """What a column shows that no combustion does, whatever the others show."""
    if s.level.max() < COLDEST_KELVIN:
        return Finding(FindingCode.COLD, name, figure=float(s.level.max()), usual=COLDEST_KELVIN)
    if s.span < _LEAST_SPAN or s.structure() < _STRUCTURE:
        return Finding(FindingCode.FLAT, name, figure=s.span)
    slope = abs(float(np.polyfit(s.at, s.level, 1)[0]))
    if slope < _SLOWEST and s.structure(s.at) < _STRUCTURE:
        return Finding(FindingCode.DRIFTS, name, figure=s.span)
    return None


def _dropping_out(name: str, signals: dict[str, _Signal], rows: _F) -> Finding | None:
    """A column that comes and goes: jumps no probe can follow, or gaps where the file has rows."""
    s = signals[name]
    jumps = int((np.abs(np.diff(s.kelvin)) > _JUMP).sum())
    shared = min((int((np.abs(np.diff(o.kelvin)) > _JUMP).sum()) for n, o in signals.items() if n != name), default=0)
    ends = np.concatenate([[rows[0]], s.seconds, [rows[-1]]])
    longest = max(_GAP, 4.0 * float(np.median(np.diff(s.seconds))))
    gaps = [
        (a, b) for a, b in pairwise(ends) if b - a > longest and ((rows > a) & (rows < b)).sum() > (b - a) / longest
    ]
    lost = sum(b - a for a, b in gaps)
    if jumps - shared >= _JUMPS or len(gaps) >= 2 or lost > 0.25 * np.ptp(rows):
        return Finding(FindingCode.INTERMITTENT, name, figure=float(max((jumps - shared) // 2, len(gaps))))
    return None


def _repeating(name: str, healthy: dict[str, _Signal], _: tuple[float, ...]) -> Finding | None:
    """A column with the samples of one before it."""
    before = list(healthy)[: list(healthy).index(name)]
    twin = next((n for n in before if _same(healthy[name], healthy[n])), None)
    return None if twin is None else Finding(FindingCode.REPEATS, name, other=twin)


def _restless(name: str, healthy: dict[str, _Signal], begins: tuple[float, ...]) -> Finding | None:
    """A column that moves before leaning as it does after, while the others wait for it."""
    s, others = healthy[name], [o for n, o in healthy.items() if n != name]
    if not others:
        return None
    begun = begins[0] if begins else _begun(healthy)
    quiet, awake = s.moved(-np.inf, begun), s.moved(begun, np.inf)
    theirs = float(np.median([o.moved(-np.inf, begun) for o in others]))
    if quiet > max(_RESTLESS * awake, 3.0 * theirs, _RESTLESS_KELVIN):
        return Finding(FindingCode.DRIFTS, name, figure=s.span, usual=float(np.median([o.span for o in others])))
    return None


def _weak(name: str, healthy: dict[str, _Signal], _: tuple[float, ...]) -> Finding | None:
    """A column that moves far less than the others.

    On one side of its peak or on both, a cylinder in combustion moves by a quarter of the others' span or more:
    calculated from the rounded tent of `taperwise.model.physics.exhaust` with its peak in the middle of the sweep.
    """
    s, others = healthy[name], {n: o for n, o in healthy.items() if n != name}
    usual = float(np.median([o.span for o in others.values()])) if others else 0.0
    if s.span >= _WEAK * usual:
        return None
    fits = {n: s.structure(np.interp(s.at, o.at, o.level)) for n, o in others.items()}
    nearest = min(fits, key=lambda n: fits[n])
    if fits[nearest] < _STRUCTURE:
        return Finding(FindingCode.FOLLOWS, name, other=nearest, figure=s.span / others[nearest].span)
    return Finding(FindingCode.DRIFTS, name, figure=s.span, usual=usual)


def _low(name: str, healthy: dict[str, _Signal], _: tuple[float, ...]) -> Finding | None:
    """A column that shows far less than the others all the time: its rise is as wrong as its level."""
    levels = [float(np.median(o.level)) for n, o in healthy.items() if n != name]
    if not levels or np.median(healthy[name].level) >= _LOW * np.median(levels):
        return None
    return Finding(FindingCode.LOW, name, figure=float(np.median(healthy[name].level)), usual=float(np.median(levels)))


def _slow(name: str, healthy: dict[str, _Signal], _: tuple[float, ...]) -> Finding | None:
    """A column that is at its top after the others although it rose less.

    On the rich side all cylinders rise alike, so one that peaks later has risen more; a slow probe shows the opposite.
    """
    s, others = healthy[name], [o for n, o in healthy.items() if n != name]
    if not others:
        return None
    (top, rise), (tops, rises) = s.climb(), np.transpose([o.climb() for o in others])
    later = top - float(np.median(tops))
    if _LATER < later < _LATEST and rise + 2.0 * s.scatter() < _LESS * float(np.median(rises)):
        return Finding(FindingCode.SLOW, name, figure=later)
    return None


def _same(a: _Signal, b: _Signal) -> bool:
    """Whether two columns hold one probe's samples."""
    shared, i, j = np.intersect1d(a.seconds, b.seconds, return_indices=True)
    return len(shared) >= _FEWEST and bool((np.abs(a.kelvin[i] - b.kelvin[j]) <= _ALIKE_KELVIN).mean() >= _ALIKE)


def _begun(healthy: dict[str, _Signal]) -> float:
    """When leaning began: the middle of when each column had moved by a tenth of its span; of two, the one that moves
    more says it [s].
    """
    strongest = sorted(healthy.values(), key=lambda s: -s.span)
    moments = []
    for s in strongest if len(strongest) > 2 else strongest[:1]:
        first = np.median(s.level[: max(2, len(s.level) // 10)])
        away = np.abs(s.level - first) > max(0.1 * s.span, 2.4 * s.scatter())
        moments.append(float(s.at[np.argmax(away)]) - _BLOCK)
    return float(np.median(moments))
