"""Before the first run: which needle, and where its screw should stand, with chances."""

import numpy as np

from taperwise.model.design.reachable_settings import NeedleOptimum, prospects_of
from taperwise.model.inference.dataset import gather, start_position
from taperwise.model.inference.engine_prior import EXPERT, EnginePrior
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.air import STANDARD
from taperwise.shared.recommendation import Diagnostics
from taperwise.shared.records import Installation

__all__ = ["prior_draws", "start_of"]


def prior_draws(installation: Installation, prior: EnginePrior, seed: int, draws: int = 2000) -> Posterior:
    """Draws of an engine before its first run, as a posterior of an empty log."""
    unknowns = draw_unknowns(installation, np.random.default_rng(seed), prior, draws)
    exact = Diagnostics(1.0, float(draws), float(draws), 0, 1, draws, 0, True)
    return Posterior(unknowns, gather(installation, (), prior), exact, seed)


def start_of(
    installation: Installation, prior: EnginePrior = EXPERT, seed: int = 20_260_101
) -> tuple[NeedleOptimum, ...]:
    """Every needle on hand with its best first screw position and the chance that both ends are right there.

    Settings that may be lean of peak with more than the installation's lean chance have none. The best needle comes
    first.
    """
    posterior = prior_draws(installation, prior, seed)
    reaches = prospects_of(posterior, start_position(installation), STANDARD).reaches()
    return tuple(sorted(reaches.values(), key=lambda r: -r.chance_both))
