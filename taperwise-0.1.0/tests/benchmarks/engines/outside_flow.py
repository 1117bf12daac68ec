"""Flow of air and fuel through a slide-type throttle body with a conical needle, on none of the product's curves.

Textbook formulas, SI throughout, scalars in and out. What each is checked against stands in `test_outside_engine.py`.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass

from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

__all__ = [
    "GAMMA",
    "Cone",
    "Weather",
    "choked_ratio",
    "orifice_coefficient",
    "orifice_flow",
    "segment",
    "solved",
    "throttle_flow",
    "vapour_share",
]

GAMMA = 1.4
"""Ratio of the specific heats of air [-]."""

R_DRY, R_VAPOUR = 8.314462618 / 0.0289652, 8.314462618 / 0.01801528  # J/(kg K): CODATA 2018 over molar masses

_REYNOLDS = (10.0, 30.0, 100.0, 300.0, 1e3, 3e3, 1e4, 1e5)
_COEFFICIENT = (0.568, 0.689, 0.727, 0.719, 0.688, 0.642, 0.624, 0.610)
_CURVE = PchipInterpolator([math.log(re) for re in _REYNOLDS], _COEFFICIENT)


def orifice_coefficient(reynolds: float) -> float:
    """Discharge coefficient of an orifice [-]; constant beyond the ends of its table.

    Hollingshead's data for a diameter ratio of 0.6 at eight Reynolds numbers, as `fluids` holds them.
    """
    ln = math.log(min(max(reynolds, _REYNOLDS[0]), _REYNOLDS[-1]))
    return float(_CURVE(ln))


def orifice_flow(area: float, gap: float, pressure: float, density: float, viscosity: float) -> float:
    """Mass flow of fuel through an orifice [kg/s]; none against a pressure.

    Parameters
    ----------
    area, gap : float
        Open area [m²] and its hydraulic diameter [m].
    pressure : float
        Suction and head together [Pa].
    density, viscosity : float
        Of the fuel [kg/m³], kinematic [m²/s].
    """
    if pressure <= 0.0:
        return 0.0
    speed = math.sqrt(2.0 * pressure / density)
    return orifice_coefficient(speed * gap / viscosity) * area * density * speed


@dataclass(frozen=True)
class Cone:
    """A conical needle with a flat tip in a round orifice; lengths in metres.

    Parameters
    ----------
    orifice, needle : float
        Diameters of the orifice and of the needle where its taper starts.
    loss : float
        Diameter lost per length: what a micrometer shows [-].
    length : float
        Of the taper; the needle ends there in a flat tip.
    worn : float
        Depth to which the cone is worn near where it idles.
    """

    orifice: float
    needle: float
    loss: float
    length: float
    worn: float = 0.0

    def radius(self, past: float) -> float:
        """Radius of the needle that far past the start of its taper [m]; 0 beyond its tip."""
        if past > self.length:
            return 0.0
        worn = self.worn * math.exp(-(((past - 6e-3) / 3e-3) ** 2)) if past > 0.0 else 0.0
        return 0.5 * (self.needle - self.loss * max(past, 0.0)) - worn

    def area(self, past: float) -> float:
        """Least area between the orifice's edge and the cone [m²]: a frustum across the gap, square to the cone."""
        outer, inner = 0.5 * self.orifice, self.radius(past)
        if past > self.length:
            tip = 0.5 * (self.needle - self.loss * self.length)
            # the flat tip draws away from the edge: from the ring beside it to the open orifice
            slant = math.hypot(past - self.length, outer - tip)
            return min(math.pi * (outer + tip) * slant, math.pi * outer * outer)
        cosine = 1.0 / math.hypot(1.0, 0.5 * self.loss) if past > 0.0 else 1.0
        foot = outer - (outer - inner) * cosine * cosine
        return math.pi * (outer + foot) * (outer - inner) * cosine

    def gap(self, past: float) -> float:
        """Hydraulic diameter of the ring [m]."""
        return self.orifice - 2.0 * self.radius(past)


def segment(bore: float, lift: float) -> float:
    """Area of a round bore below a straight edge lifted that far [m²]."""
    r, h = 0.5 * bore, min(max(lift, 0.0), bore)
    return r * r * math.acos(1.0 - h / r) - (r - h) * math.sqrt(max(2.0 * r * h - h * h, 0.0))


def choked_ratio(gamma: float = GAMMA) -> float:
    """Pressure downstream over upstream below which flow is choked [-]."""
    return float((2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


def throttle_flow(area: float, upstream: float, downstream: float, kelvin: float, gas: float) -> float:
    """Isentropic mass flow through an area, its coefficient in it [kg/s].

    Parameters
    ----------
    upstream, downstream, kelvin : float
        Pressures [Pa] and temperature before the restriction [K].
    gas : float
        Gas constant [J/(kg K)].
    """
    ratio = min(max(downstream / upstream, choked_ratio()), 1.0)
    power = ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA)
    return area * upstream * math.sqrt(2.0 * GAMMA / (GAMMA - 1.0) * max(power, 0.0) / (gas * kelvin))


def vapour_share(kelvin: float, pascal: float, humidity: float) -> float:
    """Mole fraction of water vapour in air [-].

    Saturation pressure by Buck (1981), over water at all temperatures; no enhancement.
    """
    t = kelvin - 273.15
    return humidity * 611.21 * math.exp((18.678 - t / 234.5) * t / (257.14 + t)) / pascal


@dataclass(frozen=True)
class Weather:
    """Moist air, as ideal gases: pressure [Pa], temperature [K], mole fraction of vapour [-]."""

    pascal: float
    kelvin: float
    vapour: float

    @property
    def dry_density(self) -> float:
        """Mass of dry air per volume [kg/m³]."""
        return (1.0 - self.vapour) * self.pascal / (R_DRY * self.kelvin)

    @property
    def density(self) -> float:
        """Mass of moist air per volume [kg/m³]."""
        return self.dry_density + self.vapour * self.pascal / (R_VAPOUR * self.kelvin)

    @property
    def dry_share(self) -> float:
        """Mass of dry air in a mass of moist air [-]."""
        return self.dry_density / self.density

    @property
    def gas(self) -> float:
        """Gas constant of the moist air [J/(kg K)]."""
        return self.pascal / (self.density * self.kelvin)


def solved(gap: Callable[[float], float], low: float, high: float) -> float:
    """Root of a falling or rising function between two places, or the end that is nearer to one."""
    at_low, at_high = gap(low), gap(high)
    if at_low * at_high > 0.0:
        return low if abs(at_low) < abs(at_high) else high
    return float(brentq(gap, low, high, xtol=1e-9 * (high - low)))
