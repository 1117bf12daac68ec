"""How far a tuning has come: full throttle, idle mixture, idle speed, tuned."""

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Evidence, Position
from taperwise.model.inference.sampler import Posterior
from taperwise.model.prediction.needle_steps import steps_to_right
from taperwise.model.prediction.setting_draws import SettingDraws, chance, coldest_of, interval, target_at
from taperwise.shared.reasons import Suspicion
from taperwise.shared.recommendation import Confidence, Stage, StageConfidence
from taperwise.shared.runs import Run

__all__ = ["confidence_of", "same_mixture"]


def same_mixture(a: Position, b: Position) -> bool:
    """Whether two positions share needle, screw position, fuel and parts; the idle stop may differ."""
    return a.changes == b.changes and a.turns == b.turns and a.needle == b.needle


def _seen(evidence: Evidence, same_idle_stop: bool, *kinds: str) -> bool:
    now = evidence.position

    def here(position: Position, run: Run) -> bool:
        same = same_mixture(position, now) and (not same_idle_stop or position.idle_stop_turns == now.idle_stop_turns)
        return same and any(getattr(run, kind) is not None for kind in kinds)

    return any(here(position, run) for position, run in evidence.trail)


def _safe_when_coldest(posterior: Posterior, now: SettingDraws) -> bool:
    """Whether the chance of running lean in the coldest air to come is within the limit, if the band has room."""
    evidence = posterior.evidence
    coldest = coldest_of(posterior.unknowns, evidence, now.conditions)
    if coldest is None or not coldest.counts or now.lean_when_coldest is None:
        return True
    return chance(now.lean_when_coldest) <= evidence.installation.limits.lean_chance


def confidence_of(posterior: Posterior, now: SettingDraws, doubts: tuple[Suspicion, ...] = ()) -> Confidence:
    """Confidence in the present setting.

    Parameters
    ----------
    now : SettingDraws
        At the present position.
    doubts : tuple of Suspicion
        Stories about the latest runs.

    Notes
    -----
    A stage is confirmed when something was seen of it since the last change that touches it, its
    chance reaches the limit, the chance that it and the stages before it are right *together* does so
    too, and those before it are confirmed: so "tuned" itself is said with at least that chance. A
    posterior that did not converge confirms nothing. Full throttle also has to be within the lean limit in the coldest
    air to come, where the owner said how cold that is and the band has room for it.
    """
    evidence = posterior.evidence
    needed = evidence.installation.limits.confirm_chance
    sure = posterior.diagnostics.converged

    both = now.full_right & now.idle_right
    every = both & now.speed_right

    def stage(right: NDArray[np.bool_], together: NDArray[np.bool_], observed: bool, before: bool) -> StageConfidence:
        reached = min(chance(right), chance(together)) >= needed
        return StageConfidence(chance(right), observed, before and sure and observed and reached)

    full = stage(now.full_right, now.full_right, _seen(evidence, False, "rise"), _safe_when_coldest(posterior, now))
    idle_seen = _seen(evidence, True, "idle_quality", "idle_rpm_rise")
    idle = stage(now.idle_right, both, idle_seen, full.confirmed)
    speed = stage(now.speed_right, every, _seen(evidence, True, "idle_rpm"), idle.confirmed)
    if not full.confirmed:
        current = Stage.FULL_THROTTLE
    elif not idle.confirmed:
        current = Stage.IDLE_MIXTURE
    else:
        current = Stage.TUNED if speed.confirmed else Stage.IDLE_SPEED
    target = target_at(now, posterior)
    return Confidence(
        stage=current,
        full_throttle=full,
        idle_mixture=idle,
        idle_speed=speed,
        chance_both=chance(both),
        lean_chance=chance(now.lean),
        offset_turns=interval(target.offset_turns),
        taper_misfit=None if evidence.installation.by_order else interval(target.taper_misfit),
        position_turns=evidence.position.turns,
        idle_stop_turns=evidence.position.idle_stop_turns,
        fitted_needle=evidence.position.needle,
        runs=evidence.runs,
        runs_used=evidence.runs_used,
        suspicions=doubts,
        taper_steps=interval(steps_to_right(target, now, posterior)) if evidence.installation.by_order else None,
        runs_here=sum(position == evidence.position for position, _ in evidence.trail),
    )
