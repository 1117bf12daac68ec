"""Invented ground records of a leaning at full throttle, by somebody who saw nothing of the reader.

The point of this module is that it imports nothing of `taperwise`, and shares no curve, lag, way of the hand or drift
with the model, the benches or the reader's training. It writes a logger's text, and knows the true rises. All constants
are judgement or from memory of ground runs unless a source stands beside them. Temperatures are in °F throughout.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

__all__ = ["KINDS", "GroundRecord", "Kind", "draw_record"]

_F = NDArray[np.float64]
_Rng = np.random.Generator
_Span = tuple[float, float]

_FINE = 0.1  # s
_SLOPE = (560.0, 1000.0)  # °F per unit of mixture on the rich side: 564 to 764 in two leanings, see published.json
_WIDTH = (0.015, 0.05)  # of mixture, over which the peak is rounded; judgement
_LEAN = (1.1, 1.8)  # how much steeper the lean side is; from memory
_APART = (0.008, 0.03)  # spread of mixture among cylinders; published.json has 0.04 for another kind of engine
_PEAK = (1350.0, 1480.0)  # °F; from memory
_IDLE, _MIDDLE = (750.0, 1000.0), (60.0, 160.0)  # °F at idle, and how much cooler half throttle's peak is; from memory
_WARMS_SECONDS = (20.0, 70.0)  # in which the exhaust warms up after the throttle was opened; judgement
_WANDER, _WANDER_SECONDS = (0.3, 1.5), 8.0  # °F and s: an engine is never quite steady; judgement
_FLICKER, _FLICKER_SECONDS = (0.5, 2.5), 0.7  # °F and s, of the gas; judgement
_SENSOR = (0.2, 0.8)  # °F of scatter before the logger rounds to whole degrees; judgement
_MANIFOLD_SECONDS = 0.3  # by which the mixture follows the control; judgement
_STYLES = ("smooth", "clicks", "slow_then_quick", "holds", "jerky")
_LEANEST = 0.35  # share by which the control leans at most


@dataclass(frozen=True)
class Kind:
    """How records of one kind are made.

    Parameters
    ----------
    cylinders, sweeps, refresh : int
        Columns; leanings one after the other; rows for which the logger repeats a sample.
    plateau, sweep, after, between : tuple of float
        Seconds at full throttle before leaning, of leaning, after it and between two.
    rise, warming, past : tuple of float
        True rise of the leanest cylinder, warming since full throttle, fall after the peak before the hand stops [°F].
    lag, back : tuple of float
        The probes' lag, and the time in which the mixture is made rich again [s].
    style : str or None
        How the hand moves; any where None.
    second_stage : bool
        Whether sheath and junction lag one behind the other.
    hertz : float
        Samples a second.
    lost : tuple of float
        Share of samples that are missing.
    whole : bool
        Whether the record holds taxi, run-up and idle too, with speed and manifold pressure.
    short : float or None
        Share of the way to the first peak at which the hand stops and makes the mixture rich again.
    control : bool
        Whether the mixture control's position is logged.
    """

    cylinders: int = 1
    sweeps: int = 1
    refresh: int = 1
    plateau: _Span = (15.0, 60.0)
    sweep: _Span = (30.0, 60.0)
    after: _Span = (20.0, 20.0)
    between: _Span = (15.0, 50.0)
    rise: _Span = (50.0, 160.0)
    warming: _Span = (3.0, 15.0)
    past: _Span = (15.0, 40.0)
    lag: _Span = (1.0, 8.0)
    back: _Span = (0.3, 1.0)
    style: str | None = None
    second_stage: bool = False
    hertz: float = 1.0
    lost: _Span = (0.0, 0.0)
    whole: bool = False
    short: float | None = None
    control: bool = False


KINDS: dict[str, Kind] = {
    "ordinary": Kind(),
    "two stages of lag": Kind(second_stage=True),
    "clicks": Kind(style="clicks"),
    "slow then quick": Kind(style="slow_then_quick"),
    "short plateau, drift": Kind(plateau=(5.0, 14.0), warming=(10.0, 30.0)),
    "strong warming": Kind(plateau=(20.0, 60.0), warming=(20.0, 45.0)),
    "quick, slow probe": Kind(sweep=(8.0, 15.0), lag=(4.0, 8.0)),
    "very slow": Kind(sweep=(120.0, 200.0)),
    "small rise": Kind(rise=(15.0, 45.0)),
    "large rise": Kind(rise=(160.0, 260.0)),
    "just past": Kind(past=(3.0, 10.0), sweep=(15.0, 40.0), lag=(3.0, 8.0)),
    "just past, rich slowly": Kind(past=(5.0, 15.0), back=(6.0, 15.0)),
    "just past, quick, two stages": Kind(second_stage=True, lag=(3.0, 8.0), past=(5.0, 15.0), sweep=(12.0, 25.0)),
    "a sample in two seconds": Kind(hertz=0.5),
    "five samples a second": Kind(hertz=5.0),
    "samples repeated": Kind(hertz=2.0, refresh=3),
    "samples lost": Kind(lost=(0.02, 0.15)),
    "ends as it falls": Kind(after=(-1.0, -1.0)),
    "four cylinders": Kind(cylinders=4),
    "two sweeps": Kind(cylinders=2, sweeps=2),
    "whole record": Kind(cylinders=3, whole=True, plateau=(15.0, 40.0)),
    "control logged": Kind(cylinders=2, control=True),
    "stopped short": Kind(cylinders=3, short=0.55),
    "stopped short, control logged": Kind(cylinders=3, short=0.55, control=True),
}
"""Kinds of record by name."""


@dataclass(frozen=True)
class GroundRecord:
    """A record as a logger kept it, and what is true of it.

    Parameters
    ----------
    seconds : array, (n,)
    degf : array, (n, cylinders)
        What the probes showed [°F]; NaN where a sample was lost.
    rpm, manifold_inhg, control : array, (n,), or None
        The control's position in per cent of its way, 100 at full rich.
    rises : array, (cylinders,)
        True rises to peak of a warm engine [°F].
    begins, ends : tuple of float
        When the hand began to lean, and made the mixture rich again [s].
    """

    seconds: _F
    degf: _F
    rpm: _F | None
    manifold_inhg: _F | None
    control: _F | None
    rises: _F
    begins: tuple[float, ...]
    ends: tuple[float, ...]

    def text(self) -> str:
        """The logger's file."""
        heads = ["elapsed (s)", *(f"EGT {i + 1} (degF)" for i in range(self.degf.shape[1]))]
        columns = [self.seconds, *self.degf.T]
        others = (("rpm", self.rpm), ("MAP (inHg)", self.manifold_inhg), ("mixture lever (%)", self.control))
        for name, values in others:
            if values is not None:
                heads.append(name)
                columns.append(values)
        rows = (",".join("" if np.isnan(x) else f"{x:.1f}" for x in row) for row in zip(*columns, strict=True))
        return "\n".join([",".join(heads), *rows]) + "\n"


@dataclass(frozen=True)
class _Engine:
    """Cylinders at full rich: mixture over that of the peak (cylinders,), and the tent they share."""

    mixture: _F
    slope: float
    width: float
    lean: float

    @classmethod
    def draw(cls, rng: _Rng, kind: Kind) -> "_Engine":
        slope, width, lean = rng.uniform(*_SLOPE), rng.uniform(*_WIDTH), rng.uniform(*_LEAN)
        rounded = width * slope
        off = rng.normal(0.0, rng.uniform(*_APART), kind.cylinders)
        way = np.sqrt((rng.uniform(*kind.rise) + rounded) ** 2 - rounded**2) / slope
        return cls(1.0 + way + off - off.min(), slope, width, lean)

    def drop(self, mixture: _F) -> _F:
        """How far below its peak the gas is [°F]."""
        far = mixture - 1.0
        rounded = self.width * self.slope
        side = np.where(far < 0.0, self.lean * self.slope, self.slope)
        return np.asarray(np.sqrt((side * far) ** 2 + rounded**2) - rounded)

    def leaned(self, share: _F) -> _F:
        """Mixtures (cylinders, n) when the control has leaned by shares (n,)."""
        return np.asarray(self.mixture[:, None] * (1.0 - share[None]))


def _lagged(values: _F, seconds: float) -> _F:
    """A first-order lag along the last axis, begun in balance."""
    a = 1.0 - np.exp(-_FINE / seconds)
    first = values[..., :1]
    return np.asarray(lfilter([a], [1.0, a - 1.0], values - first) + first)


def _rows(seconds: float) -> int:
    return round(seconds / _FINE)


def _pace(rng: _Rng, style: str, count: int, length: float) -> _F:
    """The hand's pace over its mean, (count,)."""
    t = np.arange(count) * _FINE
    if style == "clicks":
        pace, at = np.zeros(count), 0
        while at < count:
            wait = rng.uniform(0.5, 2.5)
            pace[at : at + 3] = rng.uniform(0.7, 1.3) * wait / (3.0 * _FINE)
            at += _rows(wait)
        return pace
    if style == "slow_then_quick":
        return np.where(t < rng.uniform(0.9, 1.8) * length, 0.55, 1.8)
    if style == "holds":
        pace = np.full(count, 1.25)
        for begun in rng.uniform(0.0, 1.8 * length, int(rng.integers(1, 4))):
            pace[(t > begun) & (t < begun + rng.uniform(3.0, 8.0))] = 0.0
        return pace
    if style == "jerky":
        raw = np.abs(_lagged(rng.normal(1.0, 2.2, count), 1.5))
        return np.asarray(raw / raw.mean())
    return np.ones(count)


def _leaning(rng: _Rng, engine: _Engine, kind: Kind) -> _F:
    """Shares by which the control leans, until every cylinder has fallen far enough, or the hand stops short, (n,)."""
    length = rng.uniform(*kind.sweep)
    rate = (1.0 - 1.0 / engine.mixture.max()) / length
    share = np.cumsum(_pace(rng, kind.style or str(rng.choice(_STYLES)), _rows(3.0 * length), length)) * _FINE * rate
    if kind.short is not None:
        stop = kind.short * (1.0 - 1.0 / engine.mixture.min())
        return share[: max(int(np.argmax(share > stop)), _rows(5.0))]
    fallen = (engine.leaned(share) < 1.0) & (engine.drop(engine.leaned(share)) > rng.uniform(*kind.past))
    end = int(np.argmax(fallen.all(axis=0))) if fallen.all(axis=0).any() else len(share) - 1
    return np.minimum(share[: end + _rows(rng.uniform(1.0, 3.0))], _LEANEST)


class _Run:
    """Throttle and mixture control over a record."""

    def __init__(self) -> None:
        self.throttle: list[_F] = []
        self.share: list[_F] = []

    @property
    def now(self) -> float:
        """Seconds so far."""
        return sum(len(x) for x in self.share) * _FINE

    def add(self, throttle: float, share: _F) -> None:
        """Goes on with the throttle held."""
        self.throttle.append(np.full(len(share), throttle))
        self.share.append(share)

    def hold(self, throttle: float, seconds: float) -> None:
        """Goes on at full rich."""
        self.add(throttle, np.zeros(_rows(seconds)))


def _taxi(rng: _Rng, run: _Run) -> None:
    """Idle, taxi and a run-up."""
    run.hold(0.0, rng.uniform(15.0, 40.0))
    for _ in range(int(rng.integers(1, 4))):
        run.hold(rng.uniform(0.1, 0.35), rng.uniform(5.0, 20.0))
        run.hold(0.0, rng.uniform(5.0, 20.0))
    run.hold(0.5, rng.uniform(25.0, 60.0))


def _drive(rng: _Rng, engine: _Engine, kind: Kind) -> tuple[_Run, float, list[float], list[float]]:
    """What was done, when the throttle was opened, and when each leaning began and ended [s]."""
    run, begins, ends = _Run(), [], []
    if kind.whole:
        _taxi(rng, run)
    opened = run.now
    run.hold(1.0, rng.uniform(*kind.plateau))
    for i in range(kind.sweeps):
        begins.append(run.now)
        share = _leaning(rng, engine, kind)
        run.add(1.0, share)
        ends.append(run.now)
        after = rng.uniform(*(kind.after if i == kind.sweeps - 1 else kind.between))
        if after > 0.0:
            run.add(1.0, share[-1] * np.linspace(1.0, 0.0, _rows(rng.uniform(*kind.back)) + 1)[1:])
            run.hold(1.0, after)
    if kind.whole:
        run.hold(0.0, rng.uniform(20.0, 60.0))
    return run, opened, begins, ends


def _gas(rng: _Rng, engine: _Engine, kind: Kind, throttle: _F, share: _F, opened: float) -> _F:
    """Gas at every cylinder's probe, (cylinders, n) [°F]."""
    t = np.arange(len(share)) * _FINE
    peak = rng.uniform(*_PEAK) + rng.normal(0.0, 20.0, kind.cylinders)
    mixture = engine.leaned(_lagged(share, _MANIFOLD_SECONDS))
    full = peak[:, None] - engine.drop(mixture)
    middle = peak[:, None] - rng.uniform(*_MIDDLE) - engine.drop(1.0 + rng.uniform(0.5, 0.9) * (mixture - 1.0))
    idle = rng.uniform(*_IDLE, kind.cylinders)[:, None] + np.zeros_like(full)
    opening = np.clip(_lagged(throttle, rng.uniform(0.4, 1.2)), 0.0, 1.0)
    gas = np.where(
        opening < 0.5, idle + 2.0 * opening * (middle - idle), middle + (2.0 * opening - 1.0) * (full - middle)
    )
    gas -= rng.uniform(*kind.warming) * np.exp(-np.maximum(t - opened, 0.0) / rng.uniform(*_WARMS_SECONDS))
    wander = _lagged(rng.normal(size=len(t)), _WANDER_SECONDS)
    gas += rng.uniform(0.6, 1.2, kind.cylinders)[:, None] * rng.uniform(*_WANDER) * wander / wander.std()
    flicker = _lagged(rng.normal(size=gas.shape), _FLICKER_SECONDS)
    return np.asarray(gas + rng.uniform(*_FLICKER) * flicker / flicker.std())


def _shown(rng: _Rng, kind: Kind, gas: _F) -> _F:
    """What the probes show of the gas: probes of one make, 15 % apart at most; judgement."""
    lag = rng.uniform(*kind.lag)
    rows = []
    for each in gas:
        own = lag * rng.uniform(0.85, 1.15)
        probe = _lagged(each, own)
        rows.append(_lagged(probe, max(0.3, own * rng.uniform(0.2, 0.5))) if kind.second_stage else probe)
    return np.array(rows)


def draw_record(kind: Kind, rng: np.random.Generator) -> GroundRecord:
    """A record of one kind.

    Parameters
    ----------
    kind : Kind
    rng : numpy.random.Generator
    """
    engine = _Engine.draw(rng, kind)
    run, opened, begins, ends = _drive(rng, engine, kind)
    throttle, share = np.concatenate(run.throttle), np.concatenate(run.share)
    probes = _shown(rng, kind, _gas(rng, engine, kind, throttle, share, opened))
    t = np.arange(rng.uniform(0.0, 1.0 / kind.hertz), len(share) * _FINE - 0.2, 1.0 / kind.hertz)
    at = np.minimum(np.round(t / _FINE).astype(int), len(share) - 1)
    degf = np.round(probes[:, at].T + rng.normal(0.0, rng.uniform(*_SENSOR), (len(at), kind.cylinders)))
    degf = degf[np.arange(len(at)) // kind.refresh * kind.refresh]
    degf[rng.random(degf.shape) < rng.uniform(*kind.lost)] = np.nan
    rpm = manifold = control = None
    if kind.whole:
        rpm = np.round(900.0 + 1850.0 * throttle[at] ** 0.6 + rng.normal(0.0, 6.0, len(at)))
        manifold = np.round(11.0 + 17.5 * throttle[at] + rng.normal(0.0, 0.08, len(at)), 1)
    if kind.control:
        control = np.round(100.0 - 250.0 * share[at] + rng.normal(0.0, 0.3, len(at)), 1)
    return GroundRecord(t, degf, rpm, manifold, control, engine.drop(engine.mixture), tuple(begins), tuple(ends))
