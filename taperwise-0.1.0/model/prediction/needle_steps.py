"""How many needles further along the right one stands, where needles are known by their order alone."""

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import needle_place
from taperwise.model.physics.needle_set import needle_set
from taperwise.model.prediction.setting_draws import SettingDraws, Target, setting_of, widened

__all__ = ["steps_to_right", "true_steps"]

_F = NDArray[np.float64]
_SHALLOWEST = 0.1  # of the fitted slope; what asks for less asks for no taper at all


def true_steps(posterior: Posterior) -> _F:
    """Logarithm of the ratio from needle to needle as each draw has it, (draws,); nought where slopes were measured."""
    needles = needle_set(posterior.evidence.installation)
    found: _F = needles.ln_step * np.exp(needles.step_spread * posterior.unknowns.needle_step[:, 0])
    return found


def steps_to_right(target: Target, outlook: SettingDraws, posterior: Posterior) -> _F:
    """Steps from the fitted needle to the slope that would be right at both ends, (draws,); + = steeper.

    Only for needles known by order.
    """
    evidence = posterior.evidence
    setting = setting_of(evidence, outlook.position, outlook.conditions)
    slope = needle_place(widened(posterior.unknowns, posterior.seed), setting, evidence.throttle).slope[:, 0]
    ratio = np.maximum(1.0 + target.taper_misfit / slope, _SHALLOWEST)
    found: _F = np.log(ratio) / true_steps(posterior)
    return found
