"""The needle that would be right at both ends, among those on hand: as a slope, or in steps from the fitted one."""

from taperwise.model.physics.needle_set import needle_set
from taperwise.shared.reasons import IdealSlope, IdealSteps
from taperwise.shared.recommendation import Confidence
from taperwise.shared.records import Installation

__all__ = ["ideal_needle"]


def ideal_needle(confidence: Confidence, installation: Installation) -> IdealSlope | IdealSteps:
    """The slope that would be right at both ends, and the needles on hand on either side of it.

    Where no slope was measured, the number of needles from the fitted one.
    """
    ordered = [n.label for n in installation.shallow_to_steep]
    misfit, steps, fitted = confidence.taper_misfit, confidence.taper_steps, confidence.fitted_needle
    if misfit is None or steps is not None:
        assert steps is not None  # noqa: S101 - one of both is known
        place = ordered.index(fitted) + 1
        return IdealSteps(steps.low_90, steps.median, steps.high_90, fitted, place, len(ordered))
    slopes = needle_set(installation).slopes
    fitted_slope = slopes[fitted]
    slope = fitted_slope + misfit.median
    usable = [n.label for n in installation.usable(fitted)]
    shallower = [label for label in usable if slopes[label] <= slope]
    steeper = [label for label in usable if slopes[label] >= slope]
    return IdealSlope(
        fitted_slope + misfit.low_90,
        slope,
        fitted_slope + misfit.high_90,
        shallower[-1] if shallower else None,
        steeper[0] if steeper else None,
    )
