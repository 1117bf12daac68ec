"""What engines need, in figures that can be compared."""

from dataclasses import replace

import numpy as np
import pytest

from taperwise.model.design.required_setting import needed_by, needed_by_engines_like_it
from taperwise.model.inference.dataset import gather, replay
from taperwise.model.inference.engine_prior import EXPERT, EnginePrior
from taperwise.model.inference.sampler import Posterior
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import ChangeNeedle, Entry, Installation, TurnScrew
from taperwise.shared.runs import Air


def _fitted(recorded: Recommender, installation: Installation, entries: list[Entry]) -> Posterior:
    return recorded.sampler.fit(gather(installation, entries), recorded.seed)


def test_another_needle_asks_for_another_screw_position(installation: Installation) -> None:
    """The slope that is right is the engine's; a steeper needle opens more, so its screw stands further in."""
    shallow, steep = (
        needed_by_engines_like_it(installation, EXPERT, needle) for needle in ("taper 28.8", "taper 31.2")
    )
    assert shallow.taper_slope.median == pytest.approx(steep.taper_slope.median, rel=0.01)
    assert steep.turns.median < shallow.turns.median


def test_a_narrower_prior_is_told_narrower(installation: Installation) -> None:
    """Half the spread of every unknown in common gives a narrower figure."""
    narrow = EnginePrior(EXPERT.centre, tuple(tuple(0.5 * x for x in row) for row in EXPERT.root))
    wide, told = (needed_by_engines_like_it(installation, p, "taper 30.0") for p in (EXPERT, narrow))
    assert told.turns.high_90 - told.turns.low_90 < 0.8 * (wide.turns.high_90 - wide.turns.low_90)


@pytest.mark.slow
def test_runs_lead_to_what_the_engine_needs(installation: Installation, recommender: Recommender, air: Air) -> None:
    """After runs at several settings the screw position that truly puts full throttle in the middle is within the
    90 % interval, which is narrower than of any engine; the truth comes from the engine itself, turn by turn.
    """
    inside = 0
    for seed in range(8):
        engine = VirtualEngine.draw(installation, 400 + seed)
        entries: list[Entry] = []
        for turn in (0.0, 0.25, -0.125, 0.25):
            if turn:
                engine.adjust(TurnScrew(turn))
                entries.append(TurnScrew(turn))
            entries.append(engine.run(air))
        found = needed_by(_fitted(recommender, installation, entries))
        middle = 0.5 * sum(installation.targets.rise_kelvin)
        grid = np.arange(-4.0, 4.0, 1 / 64)
        at, _ = replay(installation, entries)
        rises = np.array([engine.truth_at(replace(at, turns=float(t)), air).rise_kelvin for t in grid])
        true = float(grid[np.argmin(np.abs(rises - middle))])
        inside += found.turns.low_90 <= true <= found.turns.high_90
        any_engine = needed_by_engines_like_it(installation, EXPERT, found.needle)
        assert found.turns.high_90 - found.turns.low_90 < any_engine.turns.high_90 - any_engine.turns.low_90
    assert inside >= 6  # of 8 at 90 %: fewer happens by chance once in 26 times


def test_a_needle_changed_is_meant_by_its_own_mark(installation: Installation, recorded: Recommender, air: Air) -> None:
    """After a change the position is told from the mark of the needle that is fitted now."""
    engine = VirtualEngine.draw(installation, 401)
    change = ChangeNeedle("taper 29.4", 0.5)
    entries: list[Entry] = [engine.run(air), change]
    engine.adjust(change)
    entries.append(engine.run(air))
    assert needed_by(_fitted(recorded, installation, entries)).needle == "taper 29.4"
