"""A campaign: a virtual engine is tuned by a policy from its first run until the policy says that it is done."""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple, Protocol

import numpy as np

from taperwise.model.diagnosis.fault_detection import LATEST
from taperwise.model.inference.dataset import Position
from taperwise.model.simulation.virtual_engine import Truth
from taperwise.shared.outlook import RunsToFinish
from taperwise.shared.records import Acknowledge, Adjustment, Entry, Installation, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, Run

__all__ = ["MOST_RUNS", "POLICIES", "Campaign", "Decision", "Forecast", "Policy", "Stated", "Tunable", "run_campaign"]

POLICIES = ("ours", "rule_of_thumb", "information", "greedy", "random", "oracle")
"""Names of all policies (`tests.benchmarks.engines.policies`)."""

MOST_RUNS = 40
"""Runs after which a campaign that has said nothing counts as never finished."""


class Tunable(Protocol):
    """An engine that can be tuned, and whose truth is known; as `taperwise.model.simulation.virtual_engine`."""

    installation: Installation
    position: Position
    made: list[Adjustment]

    def run(self, air: Air) -> Run:
        """Make a run and read the gauges."""
        ...

    def adjust(self, adjustment: Adjustment) -> None:
        """Turn or change something."""
        ...

    def fitted_anew(self, needle: str) -> Position:
        """The position with that needle, its mark at the slide's edge; as it is fitted now where it is."""
        ...

    def truth(self, air: Air) -> Truth:
        """What is really so at the present setting."""
        ...

    def truth_at(self, position: Position, air: Air) -> Truth:
        """What would really be so at another position."""
        ...


class Stated(NamedTuple):
    """Chances a policy states of the setting as it stands: full throttle, idle mixture, both in band."""

    full: float
    idle: float
    both: float


class Forecast(NamedTuple):
    """What a policy foretells of the runs to come, and what it foretells that from.

    Parameters
    ----------
    stage : str
    signal : float
        Price of the suggested step [runs].
    told : RunsToFinish or None
    loss_nats : float
        What the run after the most informative step would teach more than that after the chosen one [nats].
    """

    stage: str
    signal: float
    told: RunsToFinish | None
    loss_nats: float


@dataclass(frozen=True)
class Decision:
    """What a policy does after a run.

    Parameters
    ----------
    adjustments : tuple of Adjustment
        What is turned or changed before the next run; none for a repeat.
    finished : str
        Empty while it goes on; ``tuned``, ``fault``, or one of `taperwise.shared.recommendation.InspectCause`.
    stated : Stated or None
    alarm : tuple of str
        Kinds of fault worth a look, the likeliest first, where a cause is to be looked for before anything else is
        turned.
    forecast : Forecast or None
        Where the next step was weighed.
    """

    adjustments: tuple[Adjustment, ...] = ()
    finished: str = ""
    stated: Stated | None = None
    alarm: tuple[str, ...] = ()
    forecast: Forecast | None = None


Policy = Callable[[Tunable, Sequence[Entry], Air], Decision]
"""``(engine, entries, air) -> Decision``; only the oracle may look at more of the engine than its installation."""


@dataclass
class Campaign:
    """What happened.

    Parameters
    ----------
    runs : int
        Runs made.
    finished : str
        As `Decision.finished`; empty if never.
    true_claim : bool or None
        Whether a claim "tuned" was true; None without one.
    true_of_read : bool or None
        The same, full throttle judged by the cylinders with a probe where others may be leaner.
    repeats : int
        Runs made with nothing changed since the one before.
    false_alarms : int
        Alarms while all that was turned and changed was as it was written down.
    lean_runs : int
        Runs made lean of peak at full throttle.
    violations : int
        Turns beyond the limits.
    pairs : list
        Stated chances with the truth, (chance, true), at every run.
    fitting : bool
        Whether any needle on hand can be right at both ends.
    alarms : list
        Run and kinds of every alarm.
    forecasts : list
        Number of the run after which each was made, with it.
    """

    fitting: bool
    runs: int = 0
    finished: str = ""
    true_claim: bool | None = None
    true_of_read: bool | None = None
    repeats: int = 0
    false_alarms: int = 0
    lean_runs: int = 0
    violations: int = 0
    pairs: list[tuple[float, bool]] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    alarms: list[tuple[int, tuple[str, ...]]] = field(default_factory=list)
    forecasts: list[tuple[int, Forecast]] = field(default_factory=list)


def _violates(adjustment: Adjustment, installation: Installation) -> bool:
    if not isinstance(adjustment, TurnScrew | TurnIdleStop):
        return False
    quanta = adjustment.turns / installation.limits.quantum_turns
    return abs(adjustment.turns) > installation.limits.largest_turns + 1e-9 or abs(quanta - round(quanta)) > 1e-9


def _note(campaign: Campaign, decision: Decision, truth: Truth) -> None:
    if decision.stated is not None:
        rights = (truth.full_right, truth.idle_right, truth.full_right and truth.idle_right)
        campaign.pairs += list(zip(decision.stated, rights, strict=True))


def _end(campaign: Campaign, decision: Decision, truth: Truth) -> None:
    campaign.finished = decision.finished
    if decision.finished == "tuned":
        others = truth.idle_right and truth.speed_right
        campaign.true_claim = truth.full_right and others
        campaign.true_of_read = getattr(truth, "read_right", truth.full_right) and others


def run_campaign(
    engine: Tunable,
    policy: Policy,
    weather: Callable[[np.random.Generator], Air],
    rng: np.random.Generator,
    fitting: bool,
    stop_at_alarm: bool = False,
) -> Campaign:
    """Tune an engine until the policy is done, or `MOST_RUNS` runs.

    Parameters
    ----------
    weather : callable
        Air of one run.
    rng : numpy.random.Generator
        For the weather.
    fitting : bool
        Whether any needle on hand can be right at both ends (kept with the result).
    stop_at_alarm : bool
        End at the first alarm; else its cause is looked into, the record corrected if a turn was not made as it was
        written down, and the campaign goes on.

    Notes
    -----
    A claim is judged in the mean air of the runs since the last adjustment.
    """
    campaign = Campaign(fitting)
    here: list[Air] = []
    while campaign.runs < MOST_RUNS:
        air = weather(rng)
        here.append(air)
        campaign.entries.append(engine.run(air))
        campaign.runs += 1
        campaign.lean_runs += engine.truth(air).lean
        judged = _mean_air(here)
        decision = policy(engine, campaign.entries, judged)
        if decision.alarm:
            campaign.alarms.append((campaign.runs, decision.alarm))
            campaign.false_alarms += _as_written(campaign, engine)
            if stop_at_alarm:
                campaign.finished = "fault"
                break
            _looked_into(campaign, engine)
            decision = policy(engine, campaign.entries, judged)
        truth = engine.truth(judged)
        _note(campaign, decision, truth)
        if decision.forecast is not None:
            campaign.forecasts.append((campaign.runs, decision.forecast))
        if decision.finished:
            _end(campaign, decision, truth)
            break
        for adjustment in decision.adjustments:
            campaign.violations += _violates(adjustment, engine.installation)
            engine.adjust(adjustment)
            campaign.entries.append(adjustment)
        if decision.adjustments:
            here = []
        elif campaign.runs < MOST_RUNS:
            campaign.repeats += 1
    return campaign


def _looked_into(campaign: Campaign, engine: Tunable) -> None:
    """Correct the latest turns in the record, as far back as a story may begin, to what was turned; acknowledge."""
    made = iter(engine.made)
    first = max(0, campaign.runs - 1 - LATEST)
    runs = 0
    for i, entry in enumerate(campaign.entries):
        if isinstance(entry, Run):
            runs += 1
        elif not isinstance(entry, Acknowledge):
            really = next(made)
            if isinstance(entry, TurnScrew | TurnIdleStop) and runs > first:
                campaign.entries[i] = really
    campaign.entries.append(Acknowledge("looked into"))


def _as_written(campaign: Campaign, engine: Tunable) -> bool:
    """Whether everything was turned and changed as it is in the record."""
    return engine.made == [e for e in campaign.entries if not isinstance(e, Run | Acknowledge)]


def _mean_air(airs: list[Air]) -> Air:
    """Air between them: to first order its density is their mean density, and so is what it holds of dry air."""
    n = len(airs)
    return Air(
        math.fsum(a.temperature_kelvin for a in airs) / n,
        math.fsum(a.pressure_pascal for a in airs) / n,
        math.fsum(a.relative_humidity for a in airs) / n,
    )
