"""Exhaust temperature and power against equivalence ratio from an equilibrium Otto cycle (Cantera).

Independent of the project's own model on purpose. Iso-octane, frozen below 1,700 K, 5 % residual.
"""

import cantera as ct
import numpy as np
from numpy.typing import NDArray

_SPECIES = ["C8H18,isooctane", "O2", "N2", "Ar", "CO2", "CO", "H2O", "H2", "OH", "H", "O", "N", "NO"]
_AIR = "O2:.20946,N2:.78084,Ar:.00934"


def _gas() -> ct.Solution:
    by_name = {s.name: s for s in ct.Species.list_from_file("nasa_gas.yaml")}
    return ct.Solution(thermo="ideal-gas", species=[by_name[n] for n in _SPECIES])


def cycle(phi: float, heat_loss: float = 0.25, compression: float = 8.5, freeze: float = 1700.0) -> tuple[float, float]:
    """Exhaust gas temperature after blow-down [K] and indicated mean pressure [Pa] at an equivalence ratio."""
    fresh, burnt = _gas(), _gas()
    fresh.TP = 330.0, 0.95e5
    fresh.set_equivalence_ratio(phi, _SPECIES[0], _AIR)
    y = fresh.Y.copy()
    burnt.TPY = 1500, 0.95e5, y
    burnt.equilibrate("TP")
    y = 0.95 * y + 0.05 * burnt.Y
    fresh.TPY = 330.0, 0.95e5, y
    entropy, v1, u1 = fresh.s, fresh.v, fresh.u
    v2 = v1 / compression
    fresh.SV = entropy, v2
    u2 = fresh.u
    burnt.TPY = fresh.T, fresh.P, y
    burnt.equilibrate("TV")
    heat = u2 - burnt.u
    fresh.UV = u2 - 0.5 * heat_loss * heat, v2
    fresh.equilibrate("UV")
    burnt_energy = fresh.u
    entropy, frozen = fresh.s, False
    for volume in np.geomspace(v2, v1, 300)[1:]:
        fresh.SV = (fresh.s if frozen else entropy), volume
        if not frozen:
            fresh.equilibrate("SV")
            frozen = freeze > fresh.T
    pressure = (burnt_energy - fresh.u - (u2 - u1)) / (v1 - v2)  # adiabatic strokes: the work is the energy lost
    fresh.UV = fresh.u - 0.5 * heat_loss * heat, v1
    fresh.HP = fresh.u + 1.013e5 * v1, 1.013e5
    return float(fresh.T), float(pressure)


def exhaust_kelvin(phi: float) -> float:
    """Exhaust gas temperature after blow-down [K] at an equivalence ratio."""
    return cycle(phi)[0]


def _spread_out(
    phi: NDArray[np.float64], values: list[float], wanted: list[float], spread: float
) -> tuple[NDArray[np.float64], float]:
    """Values at equivalence ratios and the highest value, smoothed over a spread of mixture."""
    fine = np.linspace(phi[0] + 0.07, phi[-1] - 0.07, 145)
    weight = np.exp(-0.5 * ((fine[:, None] - phi[None]) / spread) ** 2)
    smooth = (weight * np.array(values)).sum(axis=1) / weight.sum(axis=1)
    return np.interp(wanted, fine, smooth), float(smooth.max())


def drops_degf(wanted: list[float], spread: float = 0.04) -> NDArray[np.float64]:
    """Drop from peak [°F] at equivalence ratios, smoothed over a spread of mixture."""
    phi = np.arange(0.72, 1.62, 0.02)
    at, peak = _spread_out(phi, [exhaust_kelvin(p) for p in phi], wanted, spread)
    return 1.8 * (peak - at)


def speeds_lost(wanted: list[float], spread: float = 0.04) -> NDArray[np.float64]:
    """Share of static speed [-] lost against best power: with a fixed-pitch propeller, the cube root of power."""
    phi = np.arange(0.78, 1.36, 0.02)
    at, best = _spread_out(phi, [cycle(p)[1] for p in phi], wanted, spread)
    return 1.0 - np.cbrt(at / best)
