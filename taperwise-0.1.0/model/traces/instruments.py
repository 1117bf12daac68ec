"""What the other channels of a leaning sweep say: speed, lambda, fuel flow, head temperature, manifold pressure."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Instruments", "leaning_begins", "read_instruments"]

_F = NDArray[np.float64]
_RICH_SECONDS = 8.0  # of full rich before leaning that are averaged
_FEWEST = 3
_SMOOTH_SECONDS = 2.0
_THROTTLE_MOVED_PASCAL = 3_000.0  # change of manifold pressure that is no matter of scatter; judgement
_CONTROL_MOVED = 0.05  # share of the mixture control's travel


@dataclass(frozen=True)
class Instruments:
    """Readings beside the exhaust temperature; None where there is no such channel, or too little of it.

    Parameters
    ----------
    static_rpm : float or None
        Mean speed at full rich [rpm].
    power_rpm_rise : float or None
        Highest smoothed speed while leaning less that [rpm]; 0 where it did not rise.
    lambda_full_rich, fuel_flow_m3_s : float or None
        Means at full rich [-, m³/s].
    highest : dict of float
        Highest smoothed ``cht``, ``egt`` [K] and ``rpm``.
    throttle_moved : bool
        Whether manifold pressure changed too much for one throttle position.
    """

    static_rpm: float | None
    power_rpm_rise: float | None
    lambda_full_rich: float | None
    fuel_flow_m3_s: float | None
    highest: dict[str, float]
    throttle_moved: bool


def _smoothed(seconds: _F, values: _F) -> tuple[_F, _F]:
    """Finite samples in order of time, their running median over `_SMOOTH_SECONDS`."""
    keep = np.isfinite(seconds) & np.isfinite(values)
    order = np.argsort(seconds[keep], kind="stable")
    t, x = seconds[keep][order], values[keep][order]
    if len(t) < _FEWEST:
        return t, x
    half = int(0.5 * _SMOOTH_SECONDS / max(float(np.median(np.diff(t))), 1e-3))
    half = max(1, min(half, (len(x) - 1) // 2))
    windows = np.lib.stride_tricks.sliding_window_view(np.pad(x, half, mode="edge"), 2 * half + 1)
    return t, np.asarray(np.median(windows, axis=1))


def _at_rich(seconds: _F, values: _F | None, start: float) -> float | None:
    if values is None:
        return None
    rich = np.isfinite(values) & (seconds >= start - _RICH_SECONDS) & (seconds < start)
    return float(np.median(values[rich])) if rich.sum() >= _FEWEST else None


def leaning_begins(seconds: _F, control: _F) -> tuple[float, ...]:
    """Moments at which the mixture control leaves its full-rich position [s].

    Parameters
    ----------
    seconds, control : array, (n,)
        Sample times [s] and position of the mixture control, in any unit and sense; it starts at full rich.
    """
    t, x = _smoothed(seconds, control)
    if len(t) < _FEWEST or np.ptp(x) <= 0:
        return ()
    moved = np.abs(x - np.median(x[: max(_FEWEST, len(x) // 20)])) > _CONTROL_MOVED * np.ptp(x)
    return tuple(float(t[i]) for i in np.flatnonzero(moved[1:] & ~moved[:-1]))


def read_instruments(
    seconds: _F, channels: dict[str, _F], exhaust: dict[str, _F], heads: dict[str, _F], start: float, end: float
) -> Instruments:
    """Read the other channels of one sweep.

    Parameters
    ----------
    seconds : array, (n,)
    channels : dict of array
        ``rpm``, ``lambda``, ``fuel_flow`` [m³/s], ``manifold_pressure`` [Pa], each (n,), as far as there are.
    exhaust, heads : dict of array
        Exhaust gas and cylinder head temperatures [K], each (n,).
    start, end : float
        When leaning began and where the sweep ends [s]; NaN: not known, then nothing is read at full rich.
    """
    rpm = channels.get("rpm")
    static = _at_rich(seconds, rpm, start)
    rise = None
    if rpm is not None and static is not None:
        t, x = _smoothed(seconds, rpm)
        leaning = x[(t >= start) & (t <= end)]
        rise = max(0.0, float(leaning.max()) - static) if len(leaning) else None
    manifold = channels.get("manifold_pressure")
    moved = False
    if manifold is not None:
        t, x = _smoothed(seconds, manifold)
        during = x[(t >= start - _RICH_SECONDS) & (t <= end)]
        moved = bool(len(during)) and bool(np.ptp(during) > _THROTTLE_MOVED_PASCAL)
    tops: dict[str, float] = {}
    groups = (("cht", [*heads.values()]), ("egt", [*exhaust.values()]), ("rpm", [] if rpm is None else [rpm]))
    for name, columns in groups:
        smooth = [x for _, x in (_smoothed(seconds, c) for c in columns) if len(x)]
        if smooth:
            tops[name] = max(float(x.max()) for x in smooth)
    return Instruments(
        static_rpm=static,
        power_rpm_rise=rise,
        lambda_full_rich=_at_rich(seconds, channels.get("lambda"), start),
        fuel_flow_m3_s=_at_rich(seconds, channels.get("fuel_flow"), start),
        highest=tops,
        throttle_moved=moved,
    )
