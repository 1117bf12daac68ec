"""What is kept of a fit: the same draws again, or a plain refusal."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.earlier_fits import DRAWS, EarlierFit, key_of
from taperwise.model.inference.engine_prior import EXPERT
from taperwise.model.inference.posterior_cache import Log
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import Unknowns
from taperwise.model.recommender import Recommender
from taperwise.shared.recommendation import Diagnostics
from taperwise.shared.records import Acknowledge, ChangeNeedle, Installation, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, Run
from tests.conftest import NEEDLES

_TOLD = Diagnostics(1.004, 812.5, 733.25, 3, 4, 1000, 1, False)
_RUN = Run(Air(288.15, 101_325.0), static_rpm=2500.0)
_INSTALLATION = Installation(NEEDLES, "taper 30.0")
_LOG = Log(_INSTALLATION, (_RUN, TurnScrew(-0.125), _RUN), EXPERT)
_CHANCES = (0.1, 1.0 / 3.0, 0.5, 0.05)


def _posterior(draws: int = 2800) -> Posterior:
    """Draws of the prior, a few of them many times over; they need not tell of the log."""
    rng = np.random.default_rng(3)
    few = [draw_unknowns(_INSTALLATION, rng) for _ in range(50)]
    names = Unknowns.names()
    columns = {name: np.concatenate([getattr(u, name) for u in few]) for name in names}
    unknowns = Unknowns(**{name: np.resize(c, (draws, c.shape[1])) for name, c in columns.items()})
    return Posterior(unknowns, _LOG.evidence(), _TOLD, 9)


_POSTERIOR = _posterior()
_KEPT = EarlierFit.of(_POSTERIOR, _CHANCES).to_bytes()


def test_what_was_kept_is_what_comes_back() -> None:
    """A quarter of the draws, rounded once to single precision; chances and diagnostics to the last bit."""
    made = EarlierFit.of(_POSTERIOR, _CHANCES)
    back = EarlierFit.from_bytes(made.to_bytes())
    assert back.draws.shape[0] == DRAWS == 700
    np.testing.assert_array_equal(back.draws, made.draws)
    np.testing.assert_array_equal(back.chances, _CHANCES)
    assert back.diagnostics == _TOLD
    assert back.to_bytes() == made.to_bytes()
    one, two = (each.posterior(_LOG.evidence(), 9) for each in (made, back))
    for name in Unknowns.names():
        full, kept = getattr(_POSTERIOR.unknowns, name), getattr(one.unknowns, name)
        np.testing.assert_array_equal(kept, getattr(two.unknowns, name))
        np.testing.assert_array_equal(kept, full[::4].astype(np.float32))
    assert (one.seed, one.diagnostics) == (9, _TOLD)


def test_a_short_fit_is_kept_whole() -> None:
    """Fewer draws than are kept are all kept."""
    assert len(EarlierFit.of(_posterior(100), _CHANCES).draws) == 100


@given(
    st.one_of(
        st.binary(max_size=400),
        st.binary(max_size=400).map(lambda more: _KEPT[:32] + more),
        st.integers(0, len(_KEPT) - 1).map(lambda end: _KEPT[:end]),
        st.binary(min_size=1, max_size=4).map(lambda more: _KEPT + more),
    )
)
@example(b"")
def test_any_bytes_are_refused_as_such(kept: bytes) -> None:
    """Whatever bytes come from a store, the only error is the one that has the fit made again."""
    with pytest.raises(ValueError, match="no kept fit"):
        EarlierFit.from_bytes(kept)


def test_no_bit_falls_without_being_noticed() -> None:
    """In the numbers, in the first and the last draws, and here and there between them."""
    for place in range(len(_KEPT)):
        if place < 300 or place > len(_KEPT) - 300 or place % 997 == 0:
            hurt = bytearray(_KEPT)
            hurt[place] ^= 1 << (place % 8)
            with pytest.raises(ValueError, match="no kept fit"):
                EarlierFit.from_bytes(bytes(hurt))


def test_draws_of_other_unknowns_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """What was kept while the model had other unknowns means nothing to this one."""
    names = Unknowns.names()
    monkeypatch.setattr(Unknowns, "names", lambda: (*names[:-2], names[-1], names[-2]))
    with pytest.raises(ValueError, match="no kept fit"):
        EarlierFit.from_bytes(_KEPT)


def test_a_key_names_all_that_a_fit_depends_on() -> None:
    """Log, prior and seed change it; what was turned or acknowledged since the last run does not."""
    key = key_of(_LOG, 9)
    assert len(key) == 64
    for since in (TurnScrew(0.25), TurnIdleStop(0.125), Acknowledge("gauge read twice")):
        assert key_of(replace(_LOG, entries=(*_LOG.entries, since)), 9) == key
    others = {
        key_of(_LOG, 10),
        key_of(_LOG.until(1), 9),
        key_of(replace(_LOG, entries=(*_LOG.entries, ChangeNeedle("taper 30.6"))), 9),
        key_of(replace(_LOG, entries=(_RUN, TurnScrew(-0.25), _RUN)), 9),
        key_of(replace(_LOG, installation=Installation(NEEDLES, "taper 29.4")), 9),
        key_of(replace(_LOG, prior=replace(EXPERT, centre=tuple(0.5 for _ in EXPERT.centre))), 9),
    }
    assert len(others | {key}) == 7


@pytest.mark.parametrize(("good", "fitted"), [((), [12, 7]), ((7, 8), [12, 7, 8, 9]), ((12,), [12, 7, 8, 9, 10, 11])])
def test_logs_with_the_same_contradiction_are_not_all_fitted(
    monkeypatch: pytest.MonkeyPatch, good: tuple[int, ...], fitted: list[int]
) -> None:
    """Where the whole log does not converge, earlier ones are fitted up to the first that does not converge either."""
    adviser, asked = Recommender(), list[int]()

    def fit(evidence: Evidence, seed: int) -> Posterior:
        asked.append(evidence.runs)
        return replace(_posterior(), evidence=evidence, diagnostics=replace(_TOLD, converged=evidence.runs in good))

    monkeypatch.setattr(adviser.sampler, "fit", fit)
    learned = adviser.learn(_INSTALLATION, [_RUN] * 12)
    assert asked == fitted
    assert set(learned.to_keep) <= set(adviser.earlier_keys(_INSTALLATION, [_RUN] * 12))
