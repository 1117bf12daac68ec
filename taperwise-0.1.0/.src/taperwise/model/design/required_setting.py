"""What an engine needs, in two figures that can be compared between engines: a taper slope and a screw position."""

from dataclasses import dataclass, replace

from taperwise.model.design.starting_point import prior_draws
from taperwise.model.inference.dataset import Position, start_position
from taperwise.model.inference.engine_prior import EnginePrior
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.air import STANDARD, Conditions
from taperwise.model.physics.needle_set import needle_set
from taperwise.model.prediction.setting_draws import interval, predict_settings, target_at
from taperwise.shared.recommendation import Interval
from taperwise.shared.records import ChangeNeedle, Installation

__all__ = ["Needed", "needed_by", "needed_by_engines_like_it"]


@dataclass(frozen=True)
class Needed:
    """What would be right at both ends.

    Parameters
    ----------
    needle : str
        Needle that `turns` is meant of.
    taper_slope : Interval
        Depth of the flat per length of needle [-].
    turns : Interval
        Screw position of that needle from its mark at which full throttle is in the middle of its band [turns].
    """

    needle: str
    taper_slope: Interval
    turns: Interval


def _needed(posterior: Posterior, at_mark: Position, conditions: Conditions) -> Needed:
    target = target_at(predict_settings(posterior, [at_mark], conditions)[0], posterior)
    slope = needle_set(posterior.evidence.installation).slopes[at_mark.needle]
    return Needed(at_mark.needle, interval(slope + target.taper_misfit), interval(target.offset_turns))


def needed_by(posterior: Posterior) -> Needed:
    """What this engine needs as far as its runs tell, in the air of the latest of them."""
    evidence = posterior.evidence
    return _needed(posterior, replace(evidence.position, turns=0.0), evidence.conditions)


def needed_by_engines_like_it(
    installation: Installation,
    prior: EnginePrior,
    needle: str,
    conditions: Conditions = STANDARD,
    seed: int = 20_260_101,
) -> Needed:
    """What engines of such a prior need, with one of this installation's needles fitted.

    Parameters
    ----------
    needle : str
    conditions : Conditions
        ln of the air density ratio.
    """
    start = start_position(installation)
    at = start if needle == start.needle else start.after(ChangeNeedle(needle), installation)
    return _needed(prior_draws(installation, prior, seed), at, conditions)
