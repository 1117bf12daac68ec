"""The part of a record that is one leaning: where its plateau, its start, its top and its end are."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.shared.errors import InvalidValueError

__all__ = ["Part", "find_part", "smoothed"]

_F = NDArray[np.float64]

_FEWEST, _SHORTEST = 15, 8.0  # samples, s
_FINEST = 0.15  # K: below the scatter of rounding to 1 °F no noise is believed
_LEAST, _SEEN = 2.0, 1.5  # K, and noise standard deviations: the least rise or fall that is taken for real
_RETURN = 6.0  # K, least fall by which a top is told from scatter
_RICHER = 2.5  # K, least return by which the mixture is taken to have been made rich again
_SMOOTH_SECONDS = 3.0
_FLAT_SECONDS = 26.0  # a level kept for so long is a plateau; steps of a leaning are held for less
_EARLIEST, _LATEST = 80.0, 60.0  # s kept before the start and after the top
_HALF = 0.5
_LONGEST, _TOPS = 900.0, 20  # s of a leaning, highest tops that are looked at
_LEVEL = (18.0, 4.0)  # s before the start in which the plateau is measured
_WARMS_SECONDS = 25.0  # in which a pipe warms up; judgement
_UNEVEN, _MOST_DRIFT = 1.2, 0.35  # K, and share of the rise: how uneven a plateau may be, and how far it may drift
_SETTLED_SECONDS = 8.0  # of plateau before a leaning


@dataclass(frozen=True)
class Part:
    """The samples of one leaning.

    Parameters
    ----------
    seconds, kelvin, smooth : array, (n,)
        Sample times [s], temperatures and their smoothed copy [K].
    index : array of int, (n,)
        Where each sample stands in the record.
    noise : float
        Scatter of the samples [K].
    plateau, start : float
        Temperature before the leaning [K]; when the probe was first seen to rise [s].
    top : int
        Index of the highest smoothed sample.
    """

    seconds: _F
    kelvin: _F
    smooth: _F
    index: NDArray[np.intp]
    noise: float
    plateau: float
    start: float
    top: int

    @property
    def risen(self) -> float:
        """Smoothed rise that the probe showed [K]."""
        return float(self.smooth[self.top] - self.plateau)

    @property
    def fallen(self) -> float:
        """Smoothed fall after it [K]."""
        return float(self.smooth[self.top] - self.smooth[self.top :].min())

    @property
    def least(self) -> float:
        """Least rise or fall that is taken for real [K]."""
        return max(_SEEN * self.noise, _LEAST)


def smoothed(x: _F, width: int) -> _F:
    """Running mean of a running median of (n,) samples, odd widths, ends held."""
    half = max(width // 2, 1)
    padded = np.pad(x, half, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1), axis=1)
    padded = np.pad(middle, half, mode="edge")
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1).mean(axis=1))


def _turns(smooth: _F, back: float) -> list[int]:
    """The highest tops that a fall by `back` follows, and the last highest point."""
    tops, high, low, rising = [], 0, 0, True
    for i, x in enumerate(smooth.tolist()):
        if rising:
            if x > smooth[high]:
                high = i
            elif x < smooth[high] - back:
                tops.append(high)
                rising, low = False, i
        elif x < smooth[low]:
            low = i
        elif x > smooth[low] + back:
            rising, high = True, i
    tops = [*tops, high] if rising else tops
    return sorted(sorted(tops, key=lambda i: -smooth[i])[:_TOPS])


def _flat_end(t: _F, smooth: _F, top: int, noise: float) -> int:
    """Index from which a plateau may be sought: where the latest level that was kept for long begins."""
    lowest_rise = 0.0
    stride = max(1, int(0.5 * len(t) / max(t[-1] - t[0], 1.0)))
    for i in range(top - 1, -1, -stride):
        if t[i] < t[top] - _LONGEST:
            return i
        lowest_rise = max(lowest_rise, smooth[top] - smooth[i])
        first = int(np.searchsorted(t, t[i] - _FLAT_SECONDS))
        if t[i] - t[first] < 0.9 * _FLAT_SECONDS or t[0] > t[i] - _FLAT_SECONDS:
            return 0
        level = smooth[first : i + 1]
        before = smooth[int(np.searchsorted(t, t[first] - 120.0)) : first + 1].min()
        high_up = level.min() - before > _HALF * (smooth[top] - before)
        if np.ptp(level) < max(2.0 * noise, min(0.08 * lowest_rise, 5.0)) and not high_up and lowest_rise > _RETURN:
            return _longer(t, smooth, first, i, noise)
    return 0


def _longer(t: _F, smooth: _F, first: int, last: int, noise: float) -> int:
    """Where a plateau begins that is level, or drifts evenly, from `first` to `last`."""
    slope, level = np.polyfit(t[first : last + 1] - t[first], smooth[first : last + 1], 1)
    off = smooth[:first] - level - slope * (t[:first] - t[first])
    away = np.flatnonzero((np.abs(off) > max(2.0 * noise, 2.5)) | (t[:first] < t[first] - _EARLIEST))
    return int(away[-1]) + 1 if len(away) else 0


def _start(t: _F, smooth: _F, top: int, noise: float) -> tuple[int, int]:
    """Indices where the plateau begins and where it ends."""
    begin = _flat_end(t, smooth, top, noise)
    lowest = begin + int(np.argmin(smooth[begin : top + 1]))
    rise = smooth[top] - smooth[lowest]
    higher = np.flatnonzero(smooth[begin:lowest] > smooth[lowest] + max(4.0 * noise, 0.25 * rise))
    begin += int(higher[-1]) + 1 if len(higher) else 0
    chord = smooth[begin] + (smooth[top] - smooth[begin]) * (t[begin : top + 1] - t[begin]) / max(
        t[top] - t[begin], 1.0
    )
    kink = begin + int(np.argmin(smooth[begin : top + 1] - chord))
    if kink - begin >= 5 and _settling(t[begin : kink + 1], smooth[begin : kink + 1], noise, rise):
        return begin, kink
    near = np.flatnonzero(smooth[begin : kink + 1] <= smooth[lowest] + max(1.5 * noise, 0.03 * rise))
    return begin, begin + int(near[-1]) if len(near) else kink


def _settling(t: _F, smooth: _F, noise: float, rise: float) -> bool:
    """Whether a stretch is level, drifts evenly, or drifts ever more slowly as a pipe does that warms up."""
    since = t - t[0]
    for shapes in ([since], [since, np.exp(-since / _WARMS_SECONDS)]):
        design = np.column_stack([np.ones(len(t)), *shapes])
        fit = design @ np.linalg.lstsq(design, smooth, rcond=None)[0]
        slower = len(shapes) == 1 or abs(fit[-1] - fit[-2]) < abs(fit[1] - fit[0])
        if np.std(smooth - fit) < max(0.8 * noise, _UNEVEN) and abs(fit[-1] - fit[0]) < _MOST_DRIFT * rise and slower:
            return True
    return False


def _chosen(t: _F, smooth: _F, tops: list[int], starts: list[tuple[int, int]]) -> tuple[int, int, int]:
    """Top, begin and start of the first leaning: of those with a plateau before it, where any has one."""
    settled = [i for i, (begin, start) in enumerate(starts) if t[start] - t[begin] >= _SETTLED_SECONDS]
    among = settled or list(range(len(tops)))
    rises = {i: float(smooth[tops[i]] - smooth[starts[i][1]]) for i in among}
    which = next(i for i in among if rises[i] >= _HALF * max(rises.values()))
    top, (begin, start) = tops[which], starts[which]
    for later, (_, its_start) in zip(tops[which + 1 :], starts[which + 1 :], strict=True):
        dip = smooth[top:later].min()
        if its_start > top or dip < smooth[start] + 0.3 * (smooth[top] - smooth[start]):
            break
        if smooth[later] > smooth[top]:
            top = later
    return top, begin, start


def _clean(seconds: _F, kelvin: _F) -> tuple[_F, _F, NDArray[np.intp]]:
    keep = np.flatnonzero(np.isfinite(seconds) & np.isfinite(kelvin))
    order = keep[np.argsort(seconds[keep], kind="stable")]
    t, x = seconds[order], kelvin[order]
    if len(t) < _FEWEST or t[-1] - t[0] < _SHORTEST:
        raise InvalidValueError(
            f"A leaning sweep needs at least {_FEWEST} samples over {_SHORTEST:g} s",
            field="trace",
            value=f"{len(t)} samples",
            cure="Start the logger some seconds before you lean, and stop the logger after the peak.",
        )
    return t, x, order


def find_part(seconds: _F, kelvin: _F, begins: tuple[float, ...] = ()) -> Part:
    """Find the first leaning in a record.

    Parameters
    ----------
    seconds, kelvin : array, (n,)
        Sample times [s] and temperatures [K]; NaN where there is none.
    begins : tuple of float
        When the mixture control was seen to leave full rich [s].

    Raises
    ------
    InvalidValueError
        If there are too few samples.
    """
    t, x, order = _clean(seconds, kelvin)
    steps = np.diff(x)
    noise = max(1.4826 * float(np.median(np.abs(steps - np.median(steps)))) / np.sqrt(2.0), _FINEST)
    spacing = max((t[-1] - t[0]) / (len(t) - 1), 1e-3)
    smooth = smoothed(x, 2 * int(0.5 * _SMOOTH_SECONDS / spacing) + 1)
    back = max(2.0 * noise, _RETURN)
    tops = _turns(smooth, back) or [int(np.argmax(smooth))]
    tops = [top for top in tops if any(begin < t[top] for begin in begins)] or tops
    starts = [_start(t, smooth, top, noise) for top in tops]
    top, begin, start = _chosen(t, smooth, tops, starts)
    lowest = np.minimum.accumulate(smooth[top:])
    risen = np.flatnonzero(smooth[top:] > lowest + max(1.5 * noise, _RICHER))
    end = len(smooth) if len(risen) == 0 else top + int(np.argmin(smooth[top : top + risen[0] + 1])) + 1
    end = min(end, int(np.searchsorted(t, t[top] + _LATEST)) + 1)
    told = [b for b in begins if t[begin] <= b < t[top]]
    begun = told[-1] if told else float(t[start])
    begin = max(begin, int(np.searchsorted(t, begun - _EARLIEST)))
    level = smooth[(t >= max(t[begin], begun - _LEVEL[0])) & (t <= max(begun - _LEVEL[1], t[begin]))]
    plateau = float(np.median(level))
    return Part(t[begin:end], x[begin:end], smooth[begin:end], order[begin:end], noise, plateau, begun, top - begin)
