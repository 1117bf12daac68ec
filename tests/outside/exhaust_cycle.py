"""Exhaust temperature against equivalence ratio from an equilibrium Otto cycle (Cantera).

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


def exhaust_kelvin(phi: float, heat_loss: float = 0.25, compression: float = 8.5, freeze: float = 1700.0) -> float:
    """Exhaust gas temperature after blow-down [K] at an equivalence ratio."""
    fresh, burnt = _gas(), _gas()
    fresh.TP = 330.0, 0.95e5
    fresh.set_equivalence_ratio(phi, _SPECIES[0], _AIR)
    y = fresh.Y.copy()
    burnt.TPY = 1500, 0.95e5, y
    burnt.equilibrate("TP")
    y = 0.95 * y + 0.05 * burnt.Y
    fresh.TPY = 330.0, 0.95e5, y
    entropy, v1 = fresh.s, fresh.v
    v2 = v1 / compression
    fresh.SV = entropy, v2
    u2 = fresh.u
    burnt.TPY = fresh.T, fresh.P, y
    burnt.equilibrate("TV")
    heat = u2 - burnt.u
    fresh.UV = u2 - 0.5 * heat_loss * heat, v2
    fresh.equilibrate("UV")
    entropy, frozen = fresh.s, False
    for volume in np.geomspace(v2, v1, 300)[1:]:
        fresh.SV = (fresh.s if frozen else entropy), volume
        if not frozen:
            fresh.equilibrate("SV")
            frozen = freeze > fresh.T
    fresh.UV = fresh.u - 0.5 * heat_loss * heat, v1
    fresh.HP = fresh.u + 1.013e5 * v1, 1.013e5
    return float(fresh.T)


def drops_degf(wanted: list[float], spread: float = 0.04) -> NDArray[np.float64]:
    """Drop from peak [°F] at equivalence ratios, smoothed over a spread of mixture."""
    phi = np.arange(0.72, 1.62, 0.02)
    kelvin = np.array([exhaust_kelvin(p) for p in phi])
    fine = np.linspace(0.79, 1.51, 145)
    weight = np.exp(-0.5 * ((fine[:, None] - phi[None]) / spread) ** 2)
    smooth = (weight * kelvin).sum(axis=1) / weight.sum(axis=1)
    at = np.interp(wanted, fine, smooth)
    return 1.8 * (smooth.max() - at)
