"""How far what is shown depends on the seed: the same logs answered with two of them."""

from typing import Any

import numpy as np

from taperwise.model.recommender import Recommender
from taperwise.shared.recommendation import Confidence, Interval, Suggestion
from taperwise.shared.records import Installation
from tests.benchmarks.histories import History

__all__ = ["between_seeds"]

_OTHER = 104_729  # away from the seed


def between_seeds(recommender: Recommender, installation: Installation, logs: list[History]) -> dict[str, Any]:
    """Moves between two seeds over all figures shown, their 95th percentile and the largest one.

    Chances in points, positions in turns, slopes in mm/m; `same_action` is the share of logs with the same kind of
    action and the same cause. Positions and slopes are medians and both ends of the range that holds nine times in ten;
    `shown_medians` is of the medians alone. Beside them: what was drawn again with care, and what did not converge.
    """
    other = Recommender(recommender.seed + _OTHER)
    other.sampler = recommender.sampler
    pairs = [
        tuple(each.suggest(each.learn(installation, log.entries)) for each in (recommender, other)) for log in logs
    ]  # fmt: skip
    chances = [100.0 * abs(a - b) for one, two in pairs for a, b in _matched(_chances(one), _chances(two))]
    turns = [abs(a - b) for one, two in pairs for a, b in zip(_positions(one), _positions(two), strict=True)]
    slopes = [1e3 * abs(a - b) for one, two in pairs for a, b in zip(_slopes(one), _slopes(two), strict=True)]
    diagnostics = [each.provenance.diagnostics for pair in pairs for each in pair]
    return {
        "shown_chance_points": _high(chances),
        "shown_position_turns": _high(turns),
        "shown_slope_mm_per_m": _high(slopes),
        "shown_worst": {
            "chance_points": _worst(chances),
            "position_turns": _worst(turns),
            "slope_mm_per_m": _worst(slopes),
        },
        "shown_medians": {"position_turns": _high(turns[1::3]), "slope_mm_per_m": _high(slopes[1::3])},
        "same_action": round(float(np.mean([_kind(one) == _kind(two) for one, two in pairs])), 3),
        "other_action": [log.name for log, (one, two) in zip(logs, pairs, strict=True) if _kind(one) != _kind(two)],
        "drawn_again": sum(d.refits > 0 for d in diagnostics),
        "not_converged": sum(not d.converged for d in diagnostics),
    }


def _kind(suggestion: Suggestion) -> tuple[str, str | None]:
    action = suggestion.action
    return action.kind.value, None if action.cause is None else action.cause.value


def _chances(s: Suggestion) -> dict[str, float]:
    """Every chance that the card, the desk, the sheet and the command line show, by what it is of."""
    c = s.confidence
    found = {
        "full": c.full_throttle.chance_in_band or 0.0,
        "idle": c.idle_mixture.chance_in_band or 0.0,
        "speed": c.idle_speed.chance_in_band or 0.0,
        "both": c.chance_both,
        "lean": c.lean_chance,
        "doubt": c.doubt,
    }
    found |= {f"suspicion {each.kind}": each.chance for each in c.suspicions}
    found |= {f"needle {each.needle}": each.chance_both for each in s.needles}
    for each in s.alternatives:
        name = f"{each.action.kind} {each.action.turns} {each.action.needle}"
        found |= {f"{name} both": each.prediction.chance_both, f"{name} lean": each.prediction.lean_chance}
    return found


def _matched(one: dict[str, float], two: dict[str, float]) -> list[tuple[float, float]]:
    return [(one[name], two[name]) for name in one if name in two]


def _ends(i: Interval) -> tuple[float, float, float]:
    return i.low_90, i.median, i.high_90


def _positions(s: Suggestion) -> tuple[float, ...]:
    c: Confidence = s.confidence
    return _ends(c.offset_turns)


def _slopes(s: Suggestion) -> tuple[float, ...]:
    misfit = s.confidence.taper_misfit
    assert misfit is not None  # those of the bench were measured
    return _ends(misfit)


def _high(moves: list[float]) -> float:
    return round(float(np.quantile(moves, 0.95)), 4)


def _worst(moves: list[float]) -> float:
    return round(float(np.max(moves)), 4)
