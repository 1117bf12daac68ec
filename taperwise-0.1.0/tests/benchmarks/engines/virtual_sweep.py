"""A virtual leaning sweep: a trace as a logger would keep it, from any curve of temperature against mixture."""

import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

__all__ = ["Curve", "SweepPlan", "VirtualTrace", "calculated_cycle", "cycle_curves", "random_plan", "run_sweep"]

_F = NDArray[np.float64]
_FINE = 0.02  # s
_CYCLE = Path(__file__).parents[2] / "outside" / "exhaust_cycle.json"


@dataclass(frozen=True)
class Curve:
    """Exhaust temperature [K] against equivalence ratio [-], both of shape (n,), ratio rising."""

    phi: _F
    kelvin: _F

    def spread(self, sd: float) -> "Curve":
        """The curve averaged over a normal spread of mixture."""
        weight = np.exp(-0.5 * ((self.phi[:, None] - self.phi[None]) / sd) ** 2)
        return Curve(self.phi, (weight * self.kelvin).sum(axis=1) / weight.sum(axis=1))

    def peak(self) -> tuple[float, float]:
        """Ratio and temperature at the peak, clear of the ends."""
        fine = np.linspace(self.phi[0] + 0.1, self.phi[-1] - 0.1, 4000)
        values = np.interp(fine, self.phi, self.kelvin)
        best = int(np.argmax(values))
        return float(fine[best]), float(values[best])


def calculated_cycle() -> Curve:
    """The equilibrium cycle of `tests.outside.exhaust_cycle`, from the table made with it."""
    table = json.loads(_CYCLE.read_text(encoding="utf-8"))
    return Curve(np.array(table["phi"]), np.array(table["kelvin"]))


def cycle_curves() -> tuple[Curve, ...]:
    """The calculated cycle at three spreads of mixture."""
    cycle = calculated_cycle()
    return tuple(cycle.spread(sd) for sd in (0.03, 0.04, 0.05))


@dataclass(frozen=True)
class SweepPlan:
    """How a sweep is run and logged.

    Parameters
    ----------
    start, end : float
        Equivalence ratio at full rich and where leaning ends [-].
    before_seconds, sweep_seconds : float
        Time at full rich before leaning, and time of leaning [s].
    pace : float
        Power that bends the pace of leaning; 1 = even.
    lag_seconds, noise_kelvin, spacing_seconds, drift : float
        The probe's lag [s], scatter [K], the logger's spacing [s], warming [K/s].
    spikes : int
        Wild samples.
    """

    start: float
    end: float
    before_seconds: float
    sweep_seconds: float
    pace: float
    lag_seconds: float
    noise_kelvin: float
    spacing_seconds: float
    drift: float = 0.0
    spikes: int = 0


@dataclass(frozen=True)
class VirtualTrace:
    """Samples [s, K], true rise [K] (0 where it fell at once), fuel flow [gal/h], manifold pressure [Pa] or None."""

    seconds: _F
    kelvin: _F
    rise_kelvin: float
    flow: _F | None = None
    manifold: _F | None = None


def random_plan(curve: Curve, rng: np.random.Generator) -> SweepPlan:
    """A plan over lag 1 to 5 s, sweeps of 10 to 60 s, scatter of 1 to 8 K, a hand that is not quite even."""
    peak, _ = curve.peak()
    return SweepPlan(
        start=peak + rng.uniform(0.05, 0.32),
        end=peak - rng.uniform(0.06, 0.12),
        before_seconds=rng.uniform(8.0, 20.0),
        sweep_seconds=rng.uniform(10.0, 60.0),
        pace=float(np.exp(rng.normal(0.0, 0.2))),
        lag_seconds=rng.uniform(1.0, 5.0),
        noise_kelvin=rng.uniform(1.0, 8.0),
        spacing_seconds=float(rng.choice([0.2, 0.5, 1.0])),
        drift=rng.normal(0.0, 0.1),
        spikes=int(rng.choice([0, 0, 3])),
    )


def _lag(gas: _F, lag: float) -> _F:
    """First-order lag by small explicit steps, on purpose not the reader's own filter."""
    from scipy.signal import lsim

    _, shown, _ = lsim((1.0, [lag, 1.0]), gas - gas[0], np.arange(len(gas)) * _FINE)
    return np.asarray(shown + gas[0], float)


def run_sweep(curve: Curve, plan: SweepPlan, rng: np.random.Generator) -> VirtualTrace:
    """Run a sweep and log it."""
    total = plan.before_seconds + plan.sweep_seconds
    fine = np.arange(0.0, total + 1.0, _FINE)
    done = np.clip((fine - plan.before_seconds) / plan.sweep_seconds, 0.0, 1.0) ** plan.pace
    phi = plan.start + (plan.end - plan.start) * done
    gas = np.interp(phi, curve.phi, curve.kelvin) + plan.drift * (fine - plan.before_seconds)
    seconds = np.arange(0.0, total, plan.spacing_seconds)
    shown = np.interp(seconds, fine, _lag(gas, plan.lag_seconds))
    kelvin = shown + rng.normal(0.0, plan.noise_kelvin, len(seconds))
    wild = rng.integers(0, len(seconds), plan.spikes)
    kelvin[wild] += rng.normal(0.0, 80.0, plan.spikes)
    peak, top = curve.peak()
    rise = top - float(np.interp(plan.start, curve.phi, curve.kelvin)) if plan.start > peak else 0.0
    return VirtualTrace(seconds, kelvin, rise)
