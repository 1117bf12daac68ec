"""What was recorded is what the sampler draws, and nothing else is given for it."""

import numpy as np
import pytest

from taperwise.model.inference.dataset import gather
from taperwise.model.recommender import Recommender
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, ExhaustRise, RiseSeen, Run
from tests import recorded as posteriors
from tests.recorded import COMMAND, SEED, advisor_with, load


def _run(kelvin: float) -> Run:
    return Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, kelvin))


def test_another_model_version_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """Draws of another model are not taken for those of this one; the error says how to make them."""
    monkeypatch.setattr(posteriors, "MODEL_VERSION", "another")
    with pytest.raises(RuntimeError, match=f"this is another with {SEED}: run {COMMAND}"):
        load()


def test_a_log_that_was_not_recorded_has_no_posterior(installation: Installation) -> None:
    """Neither another log nor another seed is answered with what is there."""
    known, recorded = gather(installation, [_run(50.0)]), advisor_with(load())
    assert recorded.sampler.fit(known, SEED).diagnostics.converged
    for evidence, seed in ((known, SEED + 1), (gather(installation, [_run(50.001)]), SEED)):
        with pytest.raises(LookupError, match=COMMAND):
            recorded.sampler.fit(evidence, seed)


def test_the_sampler_draws_what_was_recorded(
    recorded: Recommender, recommender: Recommender, installation: Installation
) -> None:
    """Each recorded draw is the sampler's own, to within the steps it is kept in."""
    evidence = gather(installation, [_run(50.0)])
    kept, drawn = (each.sampler.fit(evidence, SEED).unknowns for each in (recorded, recommender))
    for name in ("offset", "ln_full", "first", "static_rpm_noise"):
        whole = getattr(drawn, name)
        few = whole[:: len(whole) // len(kept.offset)]
        np.testing.assert_allclose(getattr(kept, name), few, atol=1e-5 * (np.ptp(whole) + 1.0))
