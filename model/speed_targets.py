"""Speeds the unknown speeds are relative to."""

from shared.records import Installation

__all__ = ["idle_target_rpm", "static_target_rpm"]


def idle_target_rpm(installation: Installation) -> float:
    """Middle of the idle speed band [rpm]."""
    low, high = installation.targets.idle_rpm
    return 0.5 * (low + high)


def static_target_rpm(installation: Installation) -> float:
    """Middle of the static speed band, or 0.85 of the rated speed where none is known [rpm]; judgement."""
    band = installation.targets.static_rpm
    return 0.85 * installation.engine.rated_rpm if band is None else 0.5 * (band[0] + band[1])
