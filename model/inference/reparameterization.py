"""Coordinates in which the posterior is easy to sample.

Readings pin the *reading at the pivot* far more sharply than any unknown behind it: a rise of
temperature fixes a curve of mixture against exhaust scale and width, a rise of idle speed one of
mixture against gain. So the sampler walks in a standardised reading. For a rounded tent
``R = s (√(X² + w²) − w)`` the coordinate v is the X that a reference curve (s₀, w₀) would need to
show the same R; the map from v to X is smooth, odd and monotone, through the peak as well.

What is known from one reading has a sharp middle and, since it may be a misreading, long tails. A bent coordinate
straightens them: it runs evenly in the middle, and with its square further out, as the quantiles of an exponential tail
do against those of a normal. Where what was believed before any run takes over from the reading, it runs evenly again:
else it would pass so fast there that a step of the sampler passes over what is in between.

All functions are elementwise: arrays of any shapes that broadcast.
"""

from typing import NamedTuple

from taperwise.model.physics.backend import Array, Backend
from taperwise.model.physics.idle import BEST_WIDTH
from taperwise.model.physics.priors import PRIORS

__all__ = ["FULL", "IDLE", "RoundedTent", "TailTransform", "apply_tail_transform", "from_coordinate"]


class RoundedTent(NamedTuple):
    """Slope far from the top and half-width of the rounding of one curve."""

    scale: Array
    width: Array


FULL = RoundedTent(PRIORS["exhaust_scale"].centre, PRIORS["exhaust_width"].centre)
"""Reference curve of EGT against the mixture at full throttle [K]."""

IDLE = RoundedTent(PRIORS["idle_gain"].centre, BEST_WIDTH)
"""Reference curve of the rise of idle speed, over the speed shown, against ln of the mixture [-]."""


class TailTransform(NamedTuple):
    """A coordinate around `middle`: how much one unit is there, and the inverse of where it begins to bend and of where
    it runs evenly again [-]; the second is no more than the first.
    """

    middle: Array
    unit: Array
    bend: Array
    even: Array


def apply_tail_transform(z: Array, bent: TailTransform, backend: Backend) -> tuple[Array, Array]:
    """What a bent coordinate z stands for, and ln of the map's slope.

    Notes
    -----
    It is ``middle + unit z √((1 + (bend z)²) / (1 + (even z)²))``.
    """
    above, below = 1.0 + (bent.bend * z) ** 2, 1.0 + (bent.even * z) ** 2
    root = backend.sqrt(above / below)
    return bent.middle + bent.unit * z * root, backend.log(bent.unit * root * (1.0 - 1.0 / above + 1.0 / below))


def from_coordinate(v: Array, reference: RoundedTent, curve: RoundedTent, backend: Backend) -> tuple[Array, Array]:
    """Distance X on `curve` that shows what `reference` shows at v, and ln of the map's slope dX/dv.

    Parameters
    ----------
    v : array
        Coordinate, any real number.
    reference, curve : Tent

    Returns
    -------
    tuple of array
        X, with the sign of v, and ln(dX/dv).

    Notes
    -----
    With ``ρ = R/s = (s₀/s) v² / (√(v² + w₀²) + w₀)``, ``X² = ρ² + 2 w ρ``; the slope follows from
    ``s h'(X) dX = s₀ h₀'(v) dv`` with ``h' = X/√(X² + w²)``.
    """
    ratio = reference.scale / curve.scale
    round_reference = backend.sqrt(v * v + reference.width * reference.width)
    q = ratio / (round_reference + reference.width)
    stretch = backend.sqrt(q * (q * v * v + 2.0 * curve.width))
    x = v * stretch
    ln_slope = backend.log(ratio * backend.sqrt(x * x + curve.width * curve.width) / (round_reference * stretch))
    return x, ln_slope
