"""Settings a tuning may end at, and the chance that a needle on hand fits."""

from dataclasses import replace

import numpy as np
import pytest

from taperwise.model.design.reachable_settings import destinations_of, prospects_of
from taperwise.model.inference.dataset import Position
from taperwise.model.prediction.setting_draws import predict_current, right_at
from taperwise.shared.records import Entry, Installation
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.model.without_sampler import engines

_AIR = Air(288.15, 101_325.0)
_DRAWS = np.arange(192)


def _log(idle_rpm: float | None) -> list[Entry]:
    rise = ExhaustRise(RiseSeen.PEAK, 100 / 1.8)
    return [Run(_AIR, rise=rise, idle_quality=IdleQuality.SMOOTH, idle_rpm=idle_rpm)]


@pytest.mark.parametrize("idle_rpm", [None, 800.0])
@pytest.mark.parametrize("spread", [0.03, 0.15])
def test_whether_any_needle_fits(installation: Installation, idle_rpm: float | None, spread: float) -> None:
    """The chance is that of a search two turns either way, engine by engine; where full throttle is little known, a
    search of half a turn around the middle misses engines that a needle fits.
    """
    posterior = engines(installation, _log(idle_rpm), 0.14, spread)
    now = predict_current(posterior)
    prospects = prospects_of(posterior, now.position, now.conditions)
    told = destinations_of(posterior, prospects, now.conditions, _DRAWS).any_chance

    def searched(turns: float) -> float:
        fits = np.zeros(len(_DRAWS), bool)
        stops = np.arange(-8, 9) * 0.125 if idle_rpm else np.zeros(1)
        for needle in prospects.needles:
            mine: list[Position] = sorted((p for p in prospects.positions if p.needle == needle), key=lambda p: p.turns)
            middle = mine[len(mine) // 2]
            for by in np.arange(-turns, turns + 0.01, 0.125):
                places = [replace(middle, turns=middle.turns + by, idle_stop_turns=float(s)) for s in stops]
                found = right_at(posterior, places, now.conditions, draws=_DRAWS)
                fits |= (found.both & (found.speed | (idle_rpm is None))).any(axis=1)
        return float(fits.mean())

    far = searched(2.0)
    assert told == pytest.approx(far, abs=0.03)
    if spread > 0.1:
        assert searched(0.5) < far - 0.05


def test_likely_settings_far_from_the_middle_are_among_them(installation: Installation) -> None:
    """Two kinds of engine, half a turn apart: settings of either are looked at, with the idle stop turned too."""
    posterior = engines(installation, _log(800.0), 0.14, 0.01)
    u = posterior.unknowns
    apart = np.where(np.arange(len(u.ln_full))[:, None] % 3 == 0, -0.1, 0.0)
    posterior = replace(posterior, unknowns=replace(u, ln_full=u.ln_full + apart))
    now = predict_current(posterior)
    prospects = prospects_of(posterior, now.position, now.conditions)
    ends = destinations_of(posterior, prospects, now.conditions, np.arange(300))
    best = ends.right.max(axis=1)
    lean = np.arange(300) % 3 == 0
    near = [i for i, p in enumerate(ends.positions) if p in prospects.positions]
    assert ends.right[lean].any(axis=1).mean() > ends.right[lean][:, near].any(axis=1).mean() + 0.2
    assert best[~lean].mean() > 0.25
    assert len({p.idle_stop_turns for p in ends.positions}) > 3
