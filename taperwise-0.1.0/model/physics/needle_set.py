"""The needles on hand as the forward model takes them: by their measured slopes, or by their order alone.

Needles that nobody measured are laid out around a nominal middle one, each steeper than the one before by a nominal
step. How much larger the step really is, is one unknown: it stretches the whole set. That a needle is off its even
place takes the place of the error of a measurement. The slope of the middle needle is no unknown: the flow gains take
up what it is off by, and the step the rest, because only its effect on the mixture is ever seen.
"""

import math
from typing import NamedTuple

from taperwise.model.physics.priors import (
    GIVEN_STEP_SPREAD,
    NOMINAL_DEPTH,
    PRIORS,
    TYPICAL_STEP,
    TYPICAL_STEP_SPREAD,
    UNEVEN_STEP,
)
from taperwise.shared.records import Installation

__all__ = ["NeedleSet", "needle_set"]


class NeedleSet(NamedTuple):
    """What is taken of the needles on hand.

    Parameters
    ----------
    slopes : dict of float
        Nominal taper slope of each by its label [-].
    ln_steps : dict of float
        ln of that over the middle needle's, for the true step to stretch; nought where slopes were measured.
    middle_slope : float
        Taper slope of the middle needle [-].
    ln_step : float
        ln of the nominal ratio from needle to needle; nought where slopes were measured.
    step_spread : float
        Standard deviation of the logarithm of the true ln step over the nominal one.
    error_load : float
        What a needle's error counts for, as a multiple of that of a measured slope.
    """

    slopes: dict[str, float]
    ln_steps: dict[str, float]
    middle_slope: float
    ln_step: float
    step_spread: float
    error_load: float


def needle_set(installation: Installation) -> NeedleSet:
    """The needles of an installation."""
    ordered = installation.shallow_to_steep
    count = len(ordered)
    measured = {n.label: n.taper_slope for n in ordered if n.taper_slope is not None}
    if measured:
        slopes = list(measured.values())  # shallowest first
        middle = 0.5 * (slopes[(count - 1) // 2] + slopes[count // 2])
        return NeedleSet(measured, dict.fromkeys(measured, 0.0), middle, 0.0, 0.0, 1.0)
    body, given = installation.throttle_body, installation.needle_step
    middle = NOMINAL_DEPTH * body.needle_diameter_m / (body.slide_stroke_m + body.mark_to_orifice_m)
    ln_step = math.log1p(TYPICAL_STEP if given is None else given)
    away = {n.label: (i - 0.5 * (count - 1)) * ln_step for i, n in enumerate(ordered)}
    return NeedleSet(
        {label: middle * math.exp(x) for label, x in away.items()},
        away,
        middle,
        ln_step,
        TYPICAL_STEP_SPREAD if given is None else GIVEN_STEP_SPREAD,
        UNEVEN_STEP * ln_step / PRIORS["needle_error"].spread,
    )
