"""Histories that are hard on a sampler, by kind; invented, drawn from a generator."""

from collections.abc import Callable
from typing import Any

import numpy as np

from taperwise.model.physics.priors import ROUGH_RISE_KELVIN
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import (
    Adjustment,
    ChangeNeedle,
    ChangePart,
    Entry,
    Installation,
    Part,
    TurnIdleStop,
    TurnScrew,
)
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run, Sureness

__all__ = ["KINDS"]

_FELL, _ROUGH = ExhaustRise(RiseSeen.FELL_AT_ONCE), ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, ROUGH_RISE_KELVIN)


def _air(rng: np.random.Generator) -> Air:
    return Air(rng.uniform(258, 310), rng.uniform(82_000, 103_500), rng.uniform(0, 1))


def _one(rng: np.random.Generator, choices: Any) -> Any:
    return choices[rng.integers(len(choices))]


def _turn(rng: np.random.Generator, largest: int = 2) -> TurnScrew:
    return TurnScrew(float(rng.choice([-1, 1]) * rng.integers(1, largest + 1)) / 8)


def _adjustment(rng: np.random.Generator, installation: Installation) -> Adjustment:
    needle = ChangeNeedle(_one(rng, installation.needles).label, float(rng.integers(-4, 5)) / 8)
    others = (TurnIdleStop(float(_one(rng, (-0.25, 0.25)))), needle, ChangePart(_one(rng, tuple(Part))))
    return _one(rng, (_turn(rng), _turn(rng), *others))  # type: ignore[no-any-return]


def _no_reading(rng: np.random.Generator, installation: Installation) -> list[Entry]:
    """Turned and changed, never run."""
    return [_adjustment(rng, installation) for _ in range(rng.integers(0, 7))]


def _contradictory(rng: np.random.Generator, installation: Installation) -> list[Entry]:
    """At settings that hardly differ: a fall at once and a rise off the scale, an idle that stumbles and loads up."""
    log: list[Entry] = []
    for i in range(rng.integers(3, 11)):
        rise = _one(rng, (_FELL, _ROUGH, ExhaustRise(RiseSeen.PEAK, rng.choice([2.0, 60.0, 200.0]))))
        log.append(
            Run(
                _air(rng),
                rise,
                IdleQuality.LEAN_STUMBLING if i % 2 else IdleQuality.RICH_LOADING_UP,
                float(rng.choice([0.0, 120.0])),
                float(rng.choice([2100.0, 3000.0])),
                float(rng.choice([450.0, 1100.0])),
            )
        )
        if rng.random() < 0.3:
            log.append(_turn(rng))
    return log


def _censored(rng: np.random.Generator, installation: Installation) -> list[Entry]:
    """Nothing but limits: falls at once or roughness, no rise of idle speed, none to best power."""
    log: list[Entry] = []
    seen = _one(rng, ((_FELL,), (_ROUGH,), (_FELL, _ROUGH)))
    for _ in range(rng.integers(1, 13)):
        idle, power = rng.random(2) < 0.6
        log.append(
            Run(_air(rng), _one(rng, seen), idle_rpm_rise=0.0 if idle else None, power_rpm_rise=0.0 if power else None)
        )
        log.append(_turn(rng))
    return log


def _driven(rng: np.random.Generator, installation: Installation, runs: int, changes: float) -> list[Entry]:
    """What an engine drawn from the prior shows over runs, with needles and parts changed so often."""
    engine = VirtualEngine.draw(installation, int(rng.integers(2**31)))
    log: list[Entry] = []
    for _ in range(runs):
        idle, speeds, instruments = rng.random(3) < (0.5, 0.5, 0.3)
        log.append(engine.run(_air(rng), idle_rise=bool(idle), speeds=bool(speeds), instruments=bool(instruments)))
        step = _turn(rng) if rng.random() > changes else _adjustment(rng, installation)
        engine.adjust(step)
        log.append(step)
    return log


def _many_runs(rng: np.random.Generator, installation: Installation) -> list[Entry]:
    """Twenty-five to thirty-five runs."""
    return _driven(rng, installation, int(rng.integers(25, 36)), 0.05)


def _needle_changes(rng: np.random.Generator, installation: Installation) -> list[Entry]:
    """Something is changed after nearly every run, more often than is held apart."""
    return _driven(rng, installation, int(rng.integers(4, 15)), 0.8)


def _anything(rng: np.random.Generator, installation: Installation) -> list[Entry]:
    """Readings from all over what may be recorded, whatever was turned between."""

    def some(low: float, high: float) -> float | None:
        return float(rng.uniform(low, high)) if rng.random() < 0.5 else None

    log: list[Entry] = []
    for _ in range(rng.integers(1, 13)):
        peak = ExhaustRise(RiseSeen.PEAK, rng.uniform(0, 250), some(0.5, 20.0), 4, some(0.0, 40.0))
        flow, shown = some(5e-6, 2e-5), some(0.7, 1.1)
        meters = [(name, x) for name, x in (("lambda_full_rich", shown), ("fuel_flow", flow)) if x is not None]
        log.append(
            Run(
                _air(rng),
                _one(rng, (None, _FELL, _ROUGH, peak, peak)),
                IdleQuality(int(rng.integers(1, 6))),
                some(0.0, 150.0),
                some(2000.0, 3200.0),
                some(400.0, 1200.0),
                some(0.0, 100.0),
                tuple(meters),
                sureness=_one(rng, tuple(Sureness)),
            )
        )
        log += [_adjustment(rng, installation) for _ in range(rng.integers(0, 3))]
    return log


KINDS: dict[str, Callable[[np.random.Generator, Installation], list[Entry]]] = {
    "no reading": _no_reading,
    "contradictory": _contradictory,
    "censored": _censored,
    "many runs": _many_runs,
    "needle changes": _needle_changes,
    "anything": _anything,
}
"""Makers of histories, given a generator and the installation they are of."""
