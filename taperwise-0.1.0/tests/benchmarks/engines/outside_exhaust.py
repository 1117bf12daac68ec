"""Exhaust temperature of unequal cylinders against mixture, from a table of its own."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator

__all__ = ["Exhaust"]


@dataclass(frozen=True)
class Exhaust:
    """Cylinders, their probes and their table.

    Parameters
    ----------
    table : PchipInterpolator
        Drop from peak [K] against phi less phi at peak [-], one for all cylinders.
    peak : float
        phi at peak [-].
    cylinders : array, (n,)
        Each one's mixture over the mean of all [-].
    probes : tuple of int
        Those with a probe.
    rough_kelvin : float
        Rise beyond which the engine runs rough before a peak is found [K].
    """

    table: PchipInterpolator
    peak: float
    cylinders: NDArray[np.float64]
    probes: tuple[int, ...]
    rough_kelvin: float

    @classmethod
    def draw(cls, rng: np.random.Generator) -> "Exhaust":
        """Four or six cylinders, 3 to 5 % apart, one, two or all of them with a probe.

        About 4 %: NACA, October 1936, mixture distribution in a single-row radial engine (abstract read). The rich
        side falls by 560 to 800 °F per unit of phi: two real leanings gave 564 to 764.
        """
        slope = rng.uniform(560.0, 800.0) / 1.8
        rounded = rng.uniform(0.02, 0.05)
        lean = slope * rng.uniform(1.1, 1.6)
        bend = rng.normal(1.0, 0.04)
        x = [-0.4, -0.15, -2.0 * rounded, -rounded, 0.0, rounded, 2.0 * rounded, 0.2, 0.4, 0.8]
        lost = 0.5 * rounded  # of a straight side, by the rounding
        sides = [lean * (-each - lost) if each < 0 else slope * (each - lost) for each in x]
        sides[3], sides[4], sides[5] = 0.4 * lean * rounded, 0.0, 0.4 * slope * rounded
        sides[8] *= bend
        sides[9] *= bend * bend
        count = int(rng.choice([4, 6]))
        apart = rng.normal(0.0, rng.uniform(0.03, 0.05), count)
        with_probe = int(rng.choice([1, 2, count]))
        probes = tuple(int(i) for i in sorted(rng.permutation(count)[:with_probe]))
        rough = 5.0 * round(rng.uniform(350.0, 450.0) / 5.0) / 1.8
        return cls(PchipInterpolator(x, sides), rng.normal(1.0, 0.01), 1.0 + apart - apart.mean(), probes, rough)

    def rises(self, phi: float) -> list[float]:
        """Rise to peak of every cylinder at a mean phi [K]; negative where lean of peak."""
        x = np.clip(phi * self.cylinders - self.peak, -0.4, 0.8)
        drops = self.table(x)
        return [float(-d if at < 0.0 else d) for at, d in zip(x, drops, strict=True)]

    def phi_for(self, rise_kelvin: float) -> float:
        """Mean phi at which the leanest cylinder has that rise [-]."""
        fine = np.linspace(0.0, 0.8, 4001)
        return float((self.peak + np.interp(rise_kelvin, self.table(fine), fine)) / self.cylinders.min())
