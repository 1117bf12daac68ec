"""How sure the service is, in one line each."""

from taperwise.api.presentation.formatting import chance, taper_range, turns_range
from taperwise.api.presentation.needle_text import better_needle
from taperwise.api.schemas.recommendation import ConfidenceOut

__all__ = ["confidence_lines"]


def confidence_lines(c: ConfidenceOut) -> tuple[str, str]:
    """The chances of each stage, and how far the setting is from its target."""
    chances = (
        f"chance of being in target: full throttle {chance(c.full_throttle.chance_in_band)}, idle mixture "
        f"{chance(c.idle_mixture.chance_in_band)}, idle speed {chance(c.idle_speed.chance_in_band)}"
    )
    if c.offset is None:
        return chances, "no direction during a stop"
    ideal = better_needle(c) if c.taper_fit is None else taper_range(c.taper_fit)
    return chances, f"turns to target: {turns_range(c.offset)}. Ideal needle: {ideal}"
