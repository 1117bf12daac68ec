"""Static speed at full throttle against mixture and air density.

With a fixed-pitch propeller speed follows the cube root of power. Power against mixture is taken
from the same equilibrium cycle as the exhaust curve: speed falls 0.8 % at phi 1.2 and 2.6 % at
0.9, which puts the best at ln phi = 0.08 with a curvature of 0.76. Power against density is the
Gagg-Farrar lapse (from memory), ``(1.132 σ − 0.132)``, with the dry air's density: indicated power
follows oxygen, vapour is a diluent (Brooks & Garlock, NACA, abstract read). The propeller asks for
power with the density of all air.

All functions are elementwise: arrays of any shapes that broadcast.
"""

from taperwise.model.physics.backend import NUMPY, Array, Backend

__all__ = ["BEST_LN_MIXTURE", "best_power_rise", "static_speed"]

BEST_LN_MIXTURE = 0.08
"""ln(phi / phi at peak EGT) of best power [-]."""


def static_speed(
    ln_mixture: Array,
    best_rpm: Array,
    curvature: Array,
    ln_density: Array,
    ln_dry: Array = 0.0,
    backend: Backend = NUMPY,
) -> Array:
    """Static speed [rpm] at this mixture in air of that density ratio and share of dry air, given as logarithms."""
    d = ln_mixture - BEST_LN_MIXTURE
    lapse = (1.132 * backend.exp(ln_dry) - 0.132 * backend.exp(-ln_density)) ** (1.0 / 3.0)
    return best_rpm * lapse / (1.0 + curvature * d * d)


def best_power_rise(ln_mixture: Array, static_rpm: Array, curvature: Array, backend: Backend = NUMPY) -> Array:
    """Rise of static speed on leaning to best power [rpm]; negative where already leaner than that.

    Parameters
    ----------
    static_rpm : array
        Static speed at this mixture [rpm].
    """
    d = ln_mixture - BEST_LN_MIXTURE
    gained = static_rpm * curvature * d * d
    return backend.where(d < 0.0, -gained, gained)
