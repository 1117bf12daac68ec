"""How sure the service is, in one line each."""

from taperwise.api.presentation.formatting import chance, interval, taper_digits
from taperwise.api.schemas.recommendation import ConfidenceOut

__all__ = ["confidence_lines"]


def confidence_lines(c: ConfidenceOut) -> tuple[str, str]:
    """The chances, and the two intervals."""
    chances = (
        f"chance of being right: full throttle {chance(c.full_throttle.chance_in_band)}, idle mixture "
        f"{chance(c.idle_mixture.chance_in_band)}, idle speed {chance(c.idle_speed.chance_in_band)}"
    )
    if c.offset is None or c.taper_fit is None:
        return chances, "no direction during a stop"
    taper = interval(c.taper_fit, taper_digits(c.taper_fit.unit))
    return chances, f"from target: screw {interval(c.offset, 2)}, taper {taper}"
