"""The stretches of a record in which the engine ran at full throttle and its exhaust had settled.

Opening the throttle raises the exhaust temperature far more than leaning does. A record that begins at idle, in taxi or
at run-up would show that as a very rich engine, so everything before and after full throttle is cut off.
"""

import numpy as np
from numpy.typing import NDArray

from taperwise.model.traces.sweep_part import smoothed

__all__ = ["MOST_RISE_KELVIN", "settled_stretches", "without_dropouts"]

_F = NDArray[np.float64]
_I = NDArray[np.intp]

MOST_RISE_KELVIN = 170.0
"""Greatest rise to peak that is taken for leaning [K], 306 °F: twice what is called far too rich; judgement."""

_SHARES = {"rpm": 0.85, "manifold_pressure": 0.90}
"""Shares of the highest speed and manifold pressure that are full throttle; a run-up is at 75 % of the speed or less,
common practice, no published source."""

_FEWEST = 3  # rows
_PAUSE = 10.0  # s without a row: what came before and after it is read apart
_SHORT = 3.0  # s: neither a stretch nor an interruption
_SMOOTH_SECONDS = 3.0
_SETTLED_SECONDS, _SETTLED = 6.0, 0.4  # s, and K/s below which the exhaust has settled after a change of power
_LONG_SECONDS = 15.0  # the same where it is at its top, as a leaning is for a moment, too
_SOON_SECONDS = 40.0  # in which a probe with a lag of 10 s settles; what is level later was leaned
_HOTTEST_KELVIN = 25.0  # below the hottest, within which a stretch may be full throttle: run-ups are cooler than peaks
_TOP = 98  # percentile
_LOST, _HOT = 0.6, 90  # share of the percentile below which a probe that was hot lost contact


def without_dropouts(kelvin: _F) -> _F:
    """A column with NaN where a probe that was hot shows what only a lost contact or a cold engine shows, (n,)."""
    hot = np.nanpercentile(kelvin, _HOT) if np.isfinite(kelvin).any() else 0.0
    return np.where(kelvin < _LOST * hot, np.nan, kelvin) if hot > 0.0 else kelvin


def _without_spikes(values: _F) -> _F:
    """A column in which one row unlike both of its neighbours counts for nothing, (n,)."""
    import pandas as pd  # half a second that reading a log does without

    return np.asarray(pd.Series(values).rolling(3, center=True, min_periods=1).median(), dtype=np.float64)


def settled_stretches(seconds: _F, exhaust: dict[str, _F], channels: dict[str, _F]) -> list[_I]:
    """Rows of each stretch at full throttle, in order of time.

    Parameters
    ----------
    seconds : array, (n,)
    exhaust : dict of array
        Exhaust temperature by column [K], each (n,); NaN for a gap.
    channels : dict of array
        ``rpm`` and ``manifold_pressure``, each (n,), as far as there are. Without them a record must begin at full
        throttle; it ends where the exhaust is more than `MOST_RISE_KELVIN` below its top.

    Returns
    -------
    list of array of int
        Empty where no stretch settles before it is leaned, or nothing tells full throttle from less.
    """
    order = np.argsort(seconds, kind="stable")
    order = order[np.isfinite(seconds[order])]
    hot = [_without_spikes(without_dropouts(x)) for x in exhaust.values() if np.isfinite(x).any()]
    tops = [float(np.nanpercentile(x, _TOP)) for x in hot]  # of the whole file: a record of idle alone is not full
    power = [(x, _SHARES[n] * np.nanpercentile(x, _TOP)) for n, x in channels.items() if n in _SHARES and (x > 0).any()]
    found: list[tuple[float, _I]] = []
    for rows in np.split(order, np.flatnonzero(np.diff(seconds[order]) > _PAUSE) + 1):
        if len(rows) < _FEWEST:
            found.append((0.0, rows))  # nothing can be told of them here
            continue
        t = seconds[rows]
        width = 2 * int(0.5 * _SMOOTH_SECONDS / max((t[-1] - t[0]) / (len(t) - 1), 1e-3)) + 1
        below = _below_top(t, [x[rows] for x in hot], tops, width)
        filled = [(_filled(t, x[rows]), least) for x, least in power]
        told = [smoothed(x, width) > least for x, least in filled if x is not None]
        if told:
            found += [(0.0, rows[a:b]) for a, b in _settled(t, below, np.all(told, axis=0))]
        elif below[0] > -MOST_RISE_KELVIN:
            found += [(below[a:b].max(), rows[a:b]) for a, b in _settled(t, below, below > -MOST_RISE_KELVIN)]
    hottest = max((top for top, _ in found), default=0.0)
    return [rows for top, rows in found if top > hottest - _HOTTEST_KELVIN]


def _settled(t: _F, below: _F, full: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First row and end of each stretch at full throttle, from where the exhaust has settled."""
    found = []
    for first, end in _stretches(t, full):
        begin = first if first == 0 else first + _settles(t[first:end], below[first:end])
        if end - begin > 2 and t[end - 1] - t[begin] > _SHORT:
            found.append((begin, end))
    return found


def _filled(t: _F, values: _F) -> _F | None:
    """A channel with its gaps bridged; None where it holds less than half of the rows."""
    there = np.isfinite(values)
    return np.interp(t, t[there], values[there]) if there.mean() > 0.5 else None


def _below_top(t: _F, columns: list[_F], tops: list[float], width: int) -> _F:
    """How far the middle one of the columns is from its top, (n,) [K]."""
    filled = [(_filled(t, column), top) for column, top in zip(columns, tops, strict=True)]
    off = [smoothed(x, width) - top for x, top in filled if x is not None]
    return np.median(off, axis=0) if off else np.zeros(len(t))


def _stretches(t: _F, full: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """First row and end of each stretch; short interruptions are none."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], full, [False]]).astype(int)))
    joined: list[tuple[int, int]] = []
    for first, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if joined and t[first] - t[joined[-1][1] - 1] < _SHORT:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((first, end))
    return joined


def _settles(t: _F, below: _F) -> int:
    """Rows after a change of power until the exhaust has settled; all of them where that is only seen at its top."""
    for i, now in enumerate(below):
        if t[i] - t[0] > _SOON_SECONDS or below[: i + 1].max() > now + _SETTLED_SECONDS * _SETTLED:
            break  # it was leaned before
        rises = below[i:].max() - now > _SETTLED_SECONDS * _SETTLED
        if _level(t, below, i, _SETTLED_SECONDS if rises else _LONG_SECONDS, _SETTLED):
            return i
    return len(t)


def _level(t: _F, below: _F, i: int, seconds: float, slope: float) -> bool:
    """Whether the exhaust keeps its level for some seconds from a row on."""
    later = int(np.searchsorted(t, t[i] + seconds))
    return later < len(t) and abs(below[later] - below[i]) < slope * seconds
