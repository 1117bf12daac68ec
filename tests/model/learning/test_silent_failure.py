"""A search for histories on which the sampler fails without saying so."""

import numpy as np
import pytest
from arviz_stats.base import array_stats
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from model.advisor import Advisor
from model.learning.evidence import gather
from model.learning.sampler import Posterior, Sampler
from model.setting.outlook import look, target_at
from shared.errors import NotConvergedError
from shared.records import Entry, Installation
from shared.runs import Run
from tests import strategies
from tests.conftest import NEEDLES

_CHAINS = 4
_MOST = 6.0  # standard errors between two fits: six of some dozens of comparisons are not there by chance


def _figures(posterior: Posterior) -> dict[str, np.ndarray]:
    """What answers are made of, draw by draw, (chains, draws)."""
    evidence = posterior.evidence
    now = look(posterior, [evidence.position], evidence.ln_density)[0]
    target = target_at(now, posterior)
    flat = {
        "offset": target.offset_turns,
        "taper misfit": target.taper_misfit,
        "rise": now.rise,
        "full right": now.full_right.astype(float),
        "idle right": now.idle_right.astype(float),
    }
    return {name: np.reshape(x, (_CHAINS, -1)) for name, x in flat.items()}


def _apart(one: np.ndarray, two: np.ndarray) -> float:
    """Difference of two means in standard errors of both."""
    errors = [
        x.std() / np.sqrt(max(float(array_stats.ess(x, chain_axis=0, draw_axis=1, method="mean")), 1.0))
        for x in (one, two)
    ]
    both = float(np.hypot(*errors))
    return 0.0 if both == 0.0 and one.mean() == two.mean() else abs(one.mean() - two.mean()) / max(both, 1e-9)


@pytest.mark.slow
@settings(max_examples=5, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(log=strategies.logs.filter(lambda log: any(isinstance(entry, Run) for entry in log)), seed=st.integers(1, 2**30))
def test_a_posterior_that_says_it_converged_is_found_again(advisor: Advisor, log: list[Entry], seed: int) -> None:
    """Whatever was recorded, contradictions and impossible orders too: two fits from other seeds agree on all that an
    answer is made of, or say that they are not to be trusted; and nothing in them is infinite.
    """
    installation = Installation(NEEDLES, "taper 30.0")
    sampler: Sampler = advisor.sampler
    fits = []
    for each in (seed, seed + 1):
        try:
            fits.append(sampler.fit(gather(installation, log), each))
        except NotConvergedError:
            assume(False)  # it broke down, and said so
    assume(all(fit.diagnostics.converged for fit in fits))
    one, two = (_figures(fit) for fit in fits)
    for name, x in one.items():
        assert np.isfinite(x).all(), name
        assert _apart(x, two[name]) < _MOST, name
