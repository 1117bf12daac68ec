"""The gas temperature behind a lagging probe, on any way of leaning, for each of several lags.

The gas is the peak less a rounded tent of ``z``, how far the mixture is from its peak in kelvin of the straight side.
``z`` is straight between knots; its pace changes little at most knots and much at a few (Student's t), which holds,
ramps and jerks all are. A drift of the plateau, an offset in which the record begins, and the manifold pressure's part
are straight lines beside it. Per lag, variational rounds of Gauss-Newton give the path, its covariance and a bound of
the evidence.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LAGS", "GasPaths", "response", "solve_paths"]

_F = NDArray[np.float64]

LAGS: _F = np.exp(np.linspace(np.log(0.8), np.log(14.0), 9))
"""Time constants of the probe that are tried [s]. Sheathed probes of 1.6 mm take 1.8 to 3.7 s in exhaust gas of 30 to
120 m/s, 3.2 mm ones 5 to 10 s (Churchill-Bernstein estimate, calculated); two real records gave 6.5 to 8.4 s."""

_KNOTS, _FINEST = 46, 0.8  # number, s
_MARGIN = (4.0, 0.4, 11.0)  # s before the start in which leaning may have begun unseen: least, share of plateau, most
_MOST = 220  # samples; more are averaged
_TAIL = 1.0  # degrees of freedom of changes of pace
_WILD = 4.0  # and of samples
_PACE = (0.005, 0.3)  # least and greatest scale of changes of pace, in mean paces
_WIDTH = (np.log(20.0), 0.4)  # ln K and log-sd of the tent's rounding: 0.035 of mixture at 560 K per unit of it
_LEAN = (np.log(1.4), 0.25)  # how much steeper the lean side is, and its log-sd
_DRIFT = (0.06, 4.0)  # K/s and degrees of freedom of each drift when leaning begins
_STILL = 0.005  # K/s: how still the mixture is kept on the plateau
_DRIFT_FIRST = 0.15  # K/s: in the first rounds it is left wide, or a real drift would not be found
_SETTLES: _F = np.array([25.0, 150.0])  # s in which a drift dies: the pipe's, the engine's; judgement
_BACK = (
    2.0,
    1.0,
)  # K and degrees of freedom: how the gas at the end is that before leaning, back at the stop; judgement
_BACK_SECONDS, _BACK_LEVEL, _BACK_NEAR = 4.0, 0.06, 0.4  # s, and shares of the rise by which the end may move, be away
_OFFSET, _BESIDE, _FAR = 2.5, 10.0, 300.0  # K: standard deviations of straight terms, of anything else
_FIRST_ROUNDS, _ROUNDS = 6, 9
_STEP, _STEP_LOG = 30.0, 0.3  # greatest change in a round


@dataclass(frozen=True)
class GasPaths:
    """The path for each of `LAGS`.

    Parameters
    ----------
    rise, variance, evidence, evenness : array, (lags,)
        Rise to peak of the gas [K], its variance [K²], the bound of the log evidence, the pace's part of it.
    drift, drift_sd : array, (lags,)
        Drift from when leaning began to the highest sample, and its standard deviation [K].
    back : array, (lags,)
        How far the gas at the end is from that before leaning, root of the mean square [K].
    held : bool
        Whether the probe was level near its plateau at the end.
    knots : array, (knots,)
        [s]
    gas : array, (lags, knots)
        [K]
    probe : array, (lags, samples)
        What the probe should have shown [K].
    seconds : array, (samples,)
    noise, pace : array, (lags,)
        Scatter of samples [K], of changes of pace in mean paces.
    correlation : float
        Of neighbouring samples' scatter.
    """

    rise: _F
    variance: _F
    evidence: _F
    evenness: _F
    drift: _F
    drift_sd: _F
    back: _F
    held: bool
    knots: _F
    gas: _F
    probe: _F
    seconds: _F
    noise: _F
    pace: _F
    correlation: float


def response(knots: _F, seconds: _F, lags: _F) -> _F:
    """What a probe with a first-order lag shows of a gas temperature that is straight between knots; exact.

    Returns
    -------
    array, (lags, samples, knots + 1)
        Weights of the gas at the knots; the last column is what is left of an offset at the first knot.
    """
    count, steps = len(knots), np.diff(knots)
    kept = np.exp(-steps[None] / lags[:, None])
    share = lags[:, None] / steps[None] * (1.0 - kept)
    at = np.zeros((len(lags), count, count))
    at[:, 0, 0] = 1.0
    for k in range(count - 1):
        at[:, k + 1] = kept[:, k, None] * at[:, k]
        at[:, k + 1, k] += share[:, k] - kept[:, k]
        at[:, k + 1, k + 1] += 1.0 - share[:, k]
    j = np.clip(np.searchsorted(knots, seconds, side="right") - 1, 0, count - 2)
    since = seconds - knots[j]
    old = np.exp(-since[None] / lags[:, None])
    slope = (since[None] - lags[:, None] * (1.0 - old)) / steps[j][None]
    out = np.zeros((len(lags), len(seconds), count + 1))
    out[:, :, :count] = old[:, :, None] * at[:, j]
    each = np.arange(len(seconds))
    out[:, each, j] += 1.0 - old - slope
    out[:, each, j + 1] += slope
    out[:, :, count] = np.exp(-(seconds - knots[0])[None] / lags[:, None])
    return out


def _tent(z: _F, ln_width: _F, ln_lean: _F) -> tuple[_F, _F, _F, _F]:
    """Drop below the peak, and its slopes with respect to ``z``, ln width, ln steepness of the lean side."""
    lean = np.where(z < 0.0, np.exp(ln_lean), 1.0)
    width = np.exp(ln_width)
    far = np.sqrt((lean * z) ** 2 + width * width)
    slope = lean * lean * z / far
    return far - width, slope, width * (width / far - 1.0), np.where(z < 0.0, slope * z, 0.0)


def _drifts(since: _F) -> list[_F]:
    """What a probe of each lag shows of drifts of 1 K/s at the start that die in time, (lags, samples) each."""
    behind = 1.0 / (1.0 - LAGS[:, None] / _SETTLES)
    return [x * (1.0 - b[:, None] * np.exp(-since / x)) for x, b in zip(_SETTLES, behind.T, strict=True)]


def _thinned(values: _F, group: int) -> _F:
    """Means of groups of neighbours."""
    whole = len(values) // group * group
    return np.asarray(values[:whole].reshape(-1, group).mean(axis=1))


class _Rounds:
    """State of the variational rounds over all lags."""

    def __init__(self, t: _F, y: _F, start: float, straight: list[_F], drive: _F | None, noise: float) -> None:
        least, share, most = _MARGIN
        first = max(start - min(max(share * (start - t[0]), least), most), t[0] + 2.0)
        step = max(_FINEST, (t[-1] - first) / _KNOTS, 0.8 * float(np.median(np.diff(t))))
        self.knots = np.concatenate([[t[0]], np.arange(first, t[-1] + step, step)])
        self.t, self.y, self.noise0 = t, y, noise
        self.count, lags, n = len(self.knots), len(LAGS), len(t)
        weights = response(self.knots, t, LAGS)
        self.hats = weights[:, :, : self.count]
        beside = [np.interp(self.knots, t, s) for s in straight]
        self.straight = np.stack(
            [weights[:, :, self.count], *_drifts(t - self.knots[1]), *(self.hats @ b for b in beside)], axis=2
        )
        self.straight_sd = np.array([_OFFSET, *(_DRIFT_FIRST for _ in _SETTLES), *(_BESIDE for _ in beside)])
        self.bends = self._bends(None if drive is None else np.interp(self.knots, t, drive))
        self.driven = drive is not None
        self.plateau = float(np.median(y[t <= max(first, t[min(4, n - 1)])]))
        self.top = float(np.sort(y)[-3])
        self.risen = max(self.top - self.plateau, 3.0)
        at = int(np.argmax(np.convolve(y, np.ones(3) / 3.0, "same")[1:-1])) + 1
        self.mean_pace = self.risen / max(t[at] - start, 4.0)
        self.variance = np.full(lags, noise**2)
        self.trust, self.squared = np.ones((lags, n)), np.ones((lags, n))
        self.pace2 = np.full(lags, (0.05 * self.mean_pace) ** 2)
        self.bend2 = np.full((lags, self.count - 1), (0.3 * self.mean_pace) ** 2)
        self.thinning = 1.0
        self.last = int(np.argmin(np.abs(self.knots - (t[-1] - 0.5 * _BACK_SECONDS))))
        self.back2 = np.full(lags, (float(np.median(y[-3:])) - self.plateau) ** 2)
        self.held = self._held_at_end()

    def _held_at_end(self) -> bool:
        """Whether the probe is level near its plateau at the end: the mixture was made rich again and kept there."""
        late, later = (self.t > self.t[-1] - x * _BACK_SECONDS for x in (2.0, 1.0))
        if not (late & ~later).any():
            return False
        earlier, now = float(np.median(self.y[late & ~later])), float(np.median(self.y[later]))
        level = abs(now - earlier) < max(_BACK_LEVEL * self.risen, 2.0 * self.noise0)
        return level and abs(now - self.plateau) < _BACK_NEAR * self.risen

    def _bends(self, drive: _F | None) -> _F:
        """Matrix of changes of pace; the last column is what the driving channel explains of them."""
        gaps = np.diff(self.knots)
        rates = np.diff(np.eye(self.count), axis=0) / gaps[:, None]
        bends = np.concatenate([rates[:1], np.diff(rates, axis=0)])
        if drive is None:
            return bends
        return np.concatenate([bends, -(bends @ drive)[:, None]], axis=1)

    def stiffness(self) -> _F:
        """Precisions of the changes of pace; the first one is that of the plateau, where nothing is moved."""
        stiff = (_TAIL + 1.0) / (_TAIL * self.pace2[:, None] + self.bend2)
        stiff[:, 0] = _STILL**-2.0
        return np.asarray(stiff)

    def solve(
        self, jacobian: _F, target: _F, precision: _F, mean: _F, sign: float, back: tuple[_F, _F]
    ) -> tuple[_F, _F, _F]:
        """Best parameters for a linear model, their covariance, and the rows that give the changes of pace."""
        weighted = jacobian * (self.thinning * self.trust / self.variance[:, None])[:, :, None]
        a = np.matmul(weighted.transpose(0, 2, 1), jacobian)
        right = np.matmul(weighted.transpose(0, 2, 1), target[:, :, None])[:, :, 0] + precision * mean
        rows = np.zeros((self.count - 1, jacobian.shape[2]))
        rows[:, : self.count] = self.bends[:, : self.count]
        if self.driven:
            rows[:, -1] = sign * self.bends[:, -1]
        stiff = self.stiffness()
        a += np.matmul((rows[None] * stiff[:, :, None]).transpose(0, 2, 1), rows)
        row, aim = back
        held = float(self.held) * (_BACK[1] + 1.0) / (_BACK[1] * _BACK[0] ** 2 + self.back2)
        a += (held[:, None] * row)[:, :, None] * row[:, None]
        right = right + (held * aim)[:, None] * row
        each = np.arange(a.shape[1])
        a[:, each, each] += precision
        covariance = np.linalg.inv(a)
        return np.matmul(covariance, right[:, :, None])[:, :, 0], covariance, rows

    def returned(self, off: _F, row: _F, covariance: _F) -> None:
        """How far the gas at the end is from that before leaning, from the latest round."""
        self.back2 = off**2 + np.einsum("li,lij,lj->l", row, covariance, row)

    def update(self, residual: _F, jacobian: _F, covariance: _F, theta: _F, rows: _F) -> None:
        """Scatter, trust in samples and in evenness from the latest round."""
        squared = self.squared = residual**2 + (np.matmul(jacobian, covariance) * jacobian).sum(axis=2)
        self.trust = (_WILD + 1.0) / (_WILD + squared / self.variance[:, None])
        self.variance = np.maximum(
            ((self.trust * squared).sum(axis=1) + 6.0 * self.noise0**2) / (len(self.t) + 6.0), 0.05
        )
        self.bend2 = (theta @ rows.T) ** 2 + (np.matmul(rows[None], covariance) * rows[None]).sum(axis=2)
        stiff = self.stiffness()[:, 1:]
        low, high = ((x * self.mean_pace) ** 2 for x in _PACE)
        self.pace2 = np.clip((self.count - 2) / stiff.sum(axis=1), low, high)

    def gas(self) -> tuple[_F, _F]:
        """A first gas path, straight in all unknowns; and all its parameters."""
        lags, n, k = len(LAGS), len(self.t), self.count
        jacobian = np.concatenate([self.hats, self.straight, np.zeros((lags, n, int(self.driven)))], axis=2)
        precision = np.concatenate(
            [np.full(k, _FAR**-2.0), self.straight_sd**-2.0, np.full(int(self.driven), _FAR**-2.0)]
        )
        mean = np.concatenate([np.full(k, self.plateau), np.zeros(jacobian.shape[2] - k)])
        target = np.broadcast_to(self.y, (lags, n))
        row = np.zeros((lags, jacobian.shape[2]))
        row[:, self.last], row[:, 0] = 1.0, -1.0
        for _ in range(_FIRST_ROUNDS):
            theta, covariance, rows = self.solve(jacobian, target, precision, mean, -1.0, (row, np.zeros(lags)))
            self.returned((row * theta).sum(axis=1), row, covariance)
            residual = self.y - np.matmul(jacobian, theta[:, :, None])[:, :, 0]
            self.update(residual, jacobian, covariance, theta, rows)
        return theta[:, :k], theta

    def tented(self, theta: _F) -> tuple[_F, _F, _F, _F]:
        """Gas, probe and its slopes for parameters: ``z``, straight terms, peak, ln width, ln lean, drive; slopes of
        how far the gas at the end is from that before leaning.
        """
        k, s = self.count, self.straight.shape[2]
        drop, dz, dw, dl = _tent(theta[:, :k], theta[:, k + s + 1, None], theta[:, k + s + 2, None])
        gas = theta[:, k + s, None] - drop
        probe = np.matmul(self.hats, gas[:, :, None]) + np.matmul(self.straight, theta[:, k : k + s, None])
        of_tent = np.stack([np.ones_like(dw), -dw, -dl], axis=2)
        parts = [-self.hats * dz[:, None, :], self.straight, np.matmul(self.hats, of_tent)]
        if self.driven:
            parts.append(np.zeros((len(LAGS), len(self.t), 1)))
        row = np.zeros_like(theta)
        row[:, 0], row[:, self.last] = dz[:, 0], -dz[:, self.last]
        row[:, k + s + 1 : k + s + 3] = of_tent[:, self.last, 1:] - of_tent[:, 0, 1:]
        return gas, probe[:, :, 0], np.concatenate(parts, axis=2), row

    def first_guess(self) -> _F:
        """Parameters of the tent from the straight path: rich before the highest gas, lean after it."""
        gas, theta = self.gas()
        k, s, lags = self.count, self.straight.shape[2], len(LAGS)
        peak = gas.max(axis=1) + 1.0
        width = np.exp(_WIDTH[0])
        far = np.sqrt((peak[:, None] - gas + width) ** 2 - width**2)
        rich = np.arange(k)[None] <= gas.argmax(axis=1)[:, None]
        z = np.where(rich, far, -far / np.exp(_LEAN[0]))
        tent = np.tile([_WIDTH[0], _LEAN[0]], (lags, 1))
        return np.concatenate([z, theta[:, k : k + s], peak[:, None], tent, np.abs(theta[:, k + s :])], axis=1)


def _correlation(residual: _F, rounds: _Rounds) -> float:
    """Correlation of neighbouring residuals at the lag that fits best."""
    fit = np.log1p(rounds.squared / (_WILD * rounds.variance[:, None])).sum(axis=1)
    best = int(np.argmin(fit + 0.2 * len(rounds.t) * np.log(rounds.variance)))
    r = residual[best] * np.sqrt(rounds.trust[best])
    return float(np.clip((r[1:] @ r[:-1]) / max(r @ r, 1e-9) + 3.0 / len(r), 0.0, 0.8))


def solve_paths(
    seconds: _F, kelvin: _F, start: float, noise: float, drive: _F | None = None, beside: _F | None = None
) -> GasPaths:
    """The gas path for each of `LAGS`.

    Parameters
    ----------
    seconds, kelvin : array, (n,)
        Samples of one leaning [s, K], in order.
    start : float
        When the probe was first seen to rise [s].
    noise : float
        Scatter of the samples, a first estimate [K].
    drive, beside : array, (n,), optional
        What moves with the mixture (richer = more), and what else moves the temperature; any unit, smooth.
    """
    group = -(-len(seconds) // _MOST)
    t, y = _thinned(seconds, group), _thinned(kelvin, group)
    straight = [] if beside is None else [_thinned(beside, group)]
    noise = max(noise, 0.25)
    rounds = _Rounds(t, y, start, straight, None if drive is None else _thinned(drive, group), noise)
    theta, covariance, correlation = _solved(rounds, *_before(rounds))
    return _told(rounds, theta, covariance, correlation)


def _before(rounds: _Rounds) -> tuple[_F, _F, _F]:
    """Means, precisions and greatest changes in a round of the parameters that `_Rounds.tented` takes."""
    k, s = rounds.count, rounds.straight.shape[2]
    size = k + s + 3 + int(rounds.driven)
    mean, precision, limit = np.zeros(size), np.full((len(LAGS), size), _FAR**-2.0), np.full(size, _STEP)
    mean[k + s : k + s + 3] = rounds.plateau + rounds.risen, _WIDTH[0], _LEAN[0]
    precision[:, k : k + s] = rounds.straight_sd**-2.0
    precision[:, k + s + 1 : k + s + 3] = _WIDTH[1] ** -2.0, _LEAN[1] ** -2.0
    limit[k + s + 1 : k + s + 3] = _STEP_LOG
    return mean, precision, limit


def _solved(rounds: _Rounds, mean: _F, precision: _F, limit: _F) -> tuple[_F, _F, float]:
    """Parameters, their covariances, and the correlation of the scatter; `precision` learns of the drift on the way."""
    k, y = rounds.count, rounds.y
    theta = rounds.first_guess()
    gas, probe, jacobian, row = rounds.tented(theta)
    correlation, drift2 = 0.0, np.full((len(LAGS), len(_SETTLES)), _DRIFT_FIRST**2)
    drifts = np.arange(k + 1, k + 1 + len(_SETTLES))
    for turn in range(_ROUNDS):
        precision[:, drifts] = (_DRIFT[1] + 1.0) / (_DRIFT[1] * _DRIFT[0] ** 2 + drift2)
        target = y - probe + np.matmul(jacobian, theta[:, :, None])[:, :, 0]
        aim = (row * theta).sum(axis=1) - (gas[:, rounds.last] - gas[:, 0])
        new, covariance, rows = rounds.solve(jacobian, target, precision, mean, 1.0, (row, aim))
        theta = theta + (0.6 if turn < 2 else 0.9) * np.clip(new - theta, -limit, limit)
        gas, probe, jacobian, row = rounds.tented(theta)
        rounds.returned(gas[:, rounds.last] - gas[:, 0], row, covariance)
        rounds.update(y - probe, jacobian, covariance, theta, rows)
        drift2 = theta[:, drifts] ** 2 + covariance[:, drifts, drifts]
        if turn == _ROUNDS // 2:
            correlation = _correlation(y - probe, rounds)
            rounds.thinning = (1.0 - correlation) / (1.0 + correlation)
    return theta, covariance, correlation


def _told(rounds: _Rounds, theta: _F, covariance: _F, correlation: float) -> GasPaths:
    """What the last round says."""
    k, s = rounds.count, rounds.straight.shape[2]
    gas, probe, _, _ = rounds.tented(theta)
    drop, dz, dw, dl = _tent(theta[:, :1], theta[:, k + s + 1, None], theta[:, k + s + 2, None])
    slopes = np.zeros_like(theta)
    slopes[:, 0], slopes[:, k + s + 1], slopes[:, k + s + 2] = dz[:, 0], dw[:, 0], dl[:, 0]
    mean, precision, _ = _before(rounds)
    drifts = slice(k + 1, k + 1 + len(_SETTLES))
    precision[:, drifts] = 0.0  # Student's t, below
    spread = np.einsum("lpp->lp", covariance)
    drift2 = theta[:, drifts] ** 2 + spread[:, drifts]
    evenness = _evenness(rounds)
    evidence = evenness - _misfit(rounds) - 0.5 * (precision * ((theta - mean) ** 2 + spread)).sum(axis=1)
    evidence += 0.5 * np.linalg.slogdet(covariance)[1]
    evidence -= 0.5 * (_DRIFT[1] + 1.0) * np.log1p(drift2 / (_DRIFT[1] * _DRIFT[0] ** 2)).sum(axis=1)
    if rounds.held:
        evidence -= 0.5 * (_BACK[1] + 1.0) * np.log1p(rounds.back2 / (_BACK[1] * _BACK[0] ** 2))
    unsure = covariance[:, drifts, drifts]
    reach = _SETTLES * (1.0 - np.exp(-max(rounds.t[np.argmax(rounds.y)] - rounds.knots[1], 1.0) / _SETTLES))
    variance = np.matmul(np.matmul(slopes[:, None], covariance), slopes[:, :, None])[:, 0, 0]
    return GasPaths(
        rise=drop[:, 0], variance=variance, evidence=evidence, evenness=evenness, drift=theta[:, drifts] @ reach,
        drift_sd=np.sqrt(np.einsum("i,lij,j->l", reach, unsure, reach)), back=np.sqrt(rounds.back2),
        held=rounds.held, knots=rounds.knots, gas=gas, probe=probe, seconds=rounds.t,
        noise=np.sqrt(rounds.variance), pace=np.sqrt(rounds.pace2) / rounds.mean_pace, correlation=correlation,
    )  # fmt: skip


def _misfit(rounds: _Rounds) -> _F:
    """The samples' part of the bound."""
    samples = 0.5 * (_WILD + 1.0) * np.log1p(rounds.squared / (_WILD * rounds.variance[:, None])).sum(axis=1)
    return np.asarray(rounds.thinning * (samples + 0.5 * len(rounds.t) * np.log(rounds.variance)))


def _evenness(rounds: _Rounds) -> _F:
    """The path's part of the bound."""
    bends = 0.5 * (_TAIL + 1.0) * np.log1p(rounds.bend2[:, 1:] / (_TAIL * rounds.pace2[:, None])).sum(axis=1)
    still = 0.5 * rounds.bend2[:, 0] / _STILL**2.0
    return np.asarray(-bends - still - 0.5 * (rounds.count - 2) * np.log(rounds.pace2))
