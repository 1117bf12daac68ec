"""Chances and stages in words; apart from other words, so that a list needs no schema for them."""

__all__ = ["HAZARD", "HAZARD_SHORT", "STAGES", "chance"]

STAGES = {
    "full_throttle": "full throttle",
    "idle_mixture": "idle mixture",
    "idle_speed": "idle speed",
    "tuned": "tuned",
}
"""Stages in words."""

HAZARD_SHORT = "▲ Danger: lean of peak"
HAZARD = f"{HAZARD_SHORT} at full throttle"
"""How the chance that can destroy an engine is headed: never as one chance among others."""


def chance(x: float | None) -> str:
    """A chance; one that is all but certain is not called certain."""
    if x is None:
        return "not known"
    return f"{100 * x:.0f}\u00a0%" if 0.005 < x < 0.995 else "over 99\u00a0%" if x > 0.5 else "under 1\u00a0%"
