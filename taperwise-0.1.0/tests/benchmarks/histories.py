"""Logs to measure with: virtual engines tuned by the rule of thumb, and logs that are hard on a sampler."""

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np

from taperwise.api.files.day import adjustment_body, run_body
from taperwise.api.schemas.adjustments import AdjustmentKinds
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.run import RunIn
from taperwise.model.simulation.tuned import FIELD, tuned
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
from taperwise.shared.runs import ExhaustRise, IdleQuality, RiseSeen, Run

__all__ = ["History", "Sent", "as_sent", "histories"]

Sent = RunIn | AdjustmentKinds
"""An entry as the service takes it."""


class History(NamedTuple):
    """A log with the name of its kind and its number."""

    name: str
    entries: tuple[Entry, ...]


def as_sent(log: Sequence[Run | Adjustment]) -> list[Sent]:
    """A log as a person would send it, rounded."""
    from pydantic import TypeAdapter

    from taperwise.api.schemas.adjustments import AdjustmentIn

    adapter: TypeAdapter[Any] = TypeAdapter(AdjustmentIn)
    return [
        RunIn.model_validate(run_body(e)) if isinstance(e, Run) else adapter.validate_python(adjustment_body(e))
        for e in log
    ]


def histories(sent: InstallationIn, count: int, seed: int) -> list[History]:
    """So many logs, every kind in turn, each of an engine of its own."""
    installation = sent.record()
    kinds = list(_KINDS.items())
    found = []
    for number in range(count):
        name, make = kinds[number % len(kinds)]
        rng = np.random.default_rng([seed, number])
        found.append(History(f"{name} {number}", tuple(make(installation, 1000 * seed + number, rng))))
    return found


_Make = Callable[[Installation, int, np.random.Generator], list[Entry]]


def _of_runs(runs: int, *, instruments: bool = False) -> _Make:
    def make(installation: Installation, seed: int, rng: np.random.Generator) -> list[Entry]:
        return [*tuned(installation, runs, seed, instruments=instruments)[0]]

    return make


def _only(seen: RiseSeen) -> _Make:
    """Runs that were all censored on the same side, whatever was turned meanwhile."""

    def make(installation: Installation, seed: int, rng: np.random.Generator) -> list[Entry]:
        step = installation.limits.largest_turns * (1.0 if seen is RiseSeen.FELL_AT_ONCE else -1.0)
        kelvin = 0.0 if seen is RiseSeen.FELL_AT_ONCE else 222.0
        log: list[Entry] = []
        for i in range(int(rng.integers(1, 7))):
            log += [TurnScrew(step)] if i else []
            log.append(Run(FIELD.weather(rng), ExhaustRise(seen, kelvin)))
        return log

    return make


def _contradictory(installation: Installation, seed: int, rng: np.random.Generator) -> list[Entry]:
    """Runs at one setting that cannot all be so, and a turn out after which it is leaner."""
    air = FIELD.weather(rng)
    low, high = rng.uniform(5.0, 40.0), rng.uniform(120.0, 200.0)
    return [
        Run(air, ExhaustRise(RiseSeen.PEAK, low), IdleQuality.LEAN_STUMBLING, 0.0, 2650.0, 700.0),
        Run(air, ExhaustRise(RiseSeen.PEAK, high), IdleQuality.RICH_LOADING_UP, 90.0, 2450.0, 900.0),
        TurnScrew(installation.limits.largest_turns),
        Run(air, ExhaustRise(RiseSeen.FELL_AT_ONCE), IdleQuality.SMOOTH, 20.0),
        Run(air, ExhaustRise(RiseSeen.PEAK, 0.5 * (low + high)), IdleQuality.SLIGHTLY_LEAN),
    ]


def _changed(installation: Installation, seed: int, rng: np.random.Generator) -> list[Entry]:
    """Two needles and a part changed, the idle stop turned, two runs after each."""
    engine = VirtualEngine.draw(installation, seed)
    others = [n.label for n in installation.needles if n.label != installation.fitted_needle]
    between: list[Adjustment] = [
        ChangeNeedle(others[int(rng.integers(len(others)))]),
        TurnIdleStop(installation.limits.largest_turns),
        ChangePart(Part.PROPELLER),
        ChangeNeedle(installation.fitted_needle),
    ]
    log: list[Entry] = [engine.run(FIELD.weather(rng)) for _ in range(2)]
    for adjustment in between:
        engine.adjust(adjustment)
        log += [adjustment, *(engine.run(FIELD.weather(rng)) for _ in range(2))]
    return log


def _one_kind_each(installation: Installation, seed: int, rng: np.random.Generator) -> list[Entry]:
    """Four runs that each show one thing only."""
    whole = [entry for entry in tuned(installation, 4, seed)[0] if isinstance(entry, Run)]
    nothing = {"rise": None, "idle_quality": None, "idle_rpm_rise": None, "static_rpm": None, "idle_rpm": None}
    return [
        replace(run, **{name: value for name, value in nothing.items() if name != kept})  # type: ignore[arg-type]
        for run, kept in zip(whole, ("rise", "idle_quality", "idle_rpm_rise", "static_rpm"), strict=True)
    ]


_KINDS: dict[str, _Make] = {
    "single": _of_runs(1),
    "fell at once only": _only(RiseSeen.FELL_AT_ONCE),
    "rough before peak only": _only(RiseSeen.ROUGH_BEFORE_PEAK),
    "contradictory": _contradictory,
    "three runs": _of_runs(3),
    "twelve runs": _of_runs(12),
    "thirty runs": _of_runs(30),
    "changes": _changed,
    "one kind each": _one_kind_each,
    "instruments": _of_runs(5, instruments=True),
}
