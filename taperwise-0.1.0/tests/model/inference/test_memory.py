"""What was learned a moment ago."""

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from taperwise.model.inference.engine_prior import EXPERT
from taperwise.model.inference.posterior_cache import Log, Memory
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.sampler import Posterior
from taperwise.shared.recommendation import Diagnostics
from taperwise.shared.records import Acknowledge, ChangeNeedle, Installation, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, Run

_TOLD = Diagnostics(1.0, 1000.0, 1000.0, 0, 4, 1000, 0, True)
_RUN = Run(Air(288.15, 101_325.0), static_rpm=2500.0)


@pytest.fixture
def log(installation: Installation) -> Log:
    """Two runs, a turn before the second and a turn since."""
    return Log(installation, (_RUN, TurnScrew(-0.125), _RUN, TurnScrew(0.125)), EXPERT)


def _posterior(log: Log, seed: int = 0) -> Posterior:
    u = draw_unknowns(log.installation, np.random.default_rng(seed))
    return Posterior(u, log.telling().evidence(), _TOLD, seed)


@pytest.mark.parametrize(
    ("since", "tells"),
    [
        ((), 3),
        ((TurnScrew(0.125), TurnIdleStop(0.25), Acknowledge("gauge read twice")), 3),
        ((ChangeNeedle("taper 30.6"),), 4),
        ((ChangeNeedle("taper 30.6"), TurnScrew(0.125)), 4),
        ((TurnScrew(0.125), _RUN), 5),
    ],
)
def test_what_was_turned_since_the_last_run_tells_nothing(log: Log, since: tuple, tells: int) -> None:  # type: ignore[type-arg]
    """A run tells, and a needle changed moves what is believed of marks; what was turned or acknowledged does not."""
    entries = (*log.entries[:3], *since)
    assert Log(log.installation, entries, EXPERT).telling().entries == entries[:tells]


def test_a_turn_since_is_seen_at_another_setting_by_the_same_draws(log: Log) -> None:
    """The draws are those that were kept, the position is that of the log asked for."""
    memory, kept = Memory(2), _posterior(log)
    assert memory.recall(log) is None
    memory.keep(log.telling(), kept)
    found = memory.recall(log)
    assert found is not None
    assert found.unknowns is kept.unknowns
    assert found.evidence.position.turns == pytest.approx(kept.evidence.position.turns + 0.125)
    assert memory.recall(log.telling()) is kept


def test_the_one_not_used_for_longest_is_forgotten(log: Log) -> None:
    """Of two at most, the one that was asked for in between stays."""
    memory = Memory(2)
    one, two, three = (Log(log.installation, (_RUN,) * n, EXPERT) for n in (1, 2, 3))
    memory.keep(one, _posterior(one))
    memory.keep(two, _posterior(two))
    memory.recall(one)
    memory.keep(three, _posterior(three))
    assert [memory.recall(each) is not None for each in (one, two, three)] == [True, False, True]


def test_many_at_once_keep_no_more_than_it_holds(log: Log) -> None:
    """Eight threads: no error, and the bound holds."""
    memory, logs = Memory(3), [Log(log.installation, (_RUN,) * n, EXPERT) for n in range(1, 9)]
    made = [_posterior(each) for each in logs]
    recalled: list[bool] = []

    def use(i: int) -> None:
        for _ in range(200):
            memory.keep(logs[i], made[i])
            found = memory.recall(logs[i])
            recalled.append(found is not None)
            assert found is None or found is made[i]

    with ThreadPoolExecutor(8) as threads:
        list(threads.map(use, range(8)))
    assert sum(memory.recall(each) is not None for each in logs) == 3
    assert any(recalled), "whatever was kept was pushed out before it was asked for"
