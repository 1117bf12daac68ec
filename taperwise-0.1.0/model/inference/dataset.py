"""From a log to arrays: follow the settings through the entries and lay the readings beside them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from taperwise.model.inference.engine_prior import EXPERT, EnginePrior
from taperwise.model.inference.readings import PLAIN_READINGS, Readings, readings_of, row_of
from taperwise.model.physics.air import STANDARD, Conditions, conditions_of
from taperwise.model.physics.mixture import Settings, Throttle
from taperwise.model.physics.needle_set import needle_set
from taperwise.model.physics.nominal_values import Scales, scales_of
from taperwise.model.physics.priors import CHANGES
from taperwise.shared.meters import meters
from taperwise.shared.records import (
    AcceptSetting,
    Acknowledge,
    ChangeNeedle,
    ChangePart,
    Entry,
    Fuel,
    Installation,
    Part,
    TurnIdleStop,
    TurnScrew,
)
from taperwise.shared.runs import Run

__all__ = [
    "FUEL_EFFECT",
    "MOST_RUNS",
    "Evidence",
    "Position",
    "conditions_of_run",
    "gather",
    "middle_conditions",
    "replay",
    "settings_of",
    "throttle_of",
]

FUEL_EFFECT: dict[Fuel, float] = {Fuel.AVGAS: 0.0, Fuel.MOGAS: 0.0, Fuel.MOGAS_E10: math.log(0.96)}
"""ln(phi) over avgas on fixed hardware: phi goes with the stoichiometric ratio times the root of fuel density."""

MOST_RUNS = 60
"""Latest runs that a posterior is learned from; the earlier ones are left out, so that no log takes long to learn."""

_LATELY = 12  # runs whose air is that of the days of a tuning: a setting is to be right in the middle of them

_HEAD_M = 0.5  # head to which others are compared; it cancels but for runs that give none

_TURN_DIGITS = 9  # of a position: fractions that add up to none do so exactly
_USUAL_SCATTER = 0.015  # of ln density from run to run on the days of a tuning; judgement


@dataclass(frozen=True)
class Position:
    """Where everything stands at one point of the log.

    Parameters
    ----------
    needle : str
        Label of the needle fitted.
    turns : float
        Screw position from the mark [turns].
    idle_stop_turns : float
        Idle stop since the record began [turns].
    fuel : Fuel
    needle_change, mark_change : int
        Numbers of the change that first fitted this needle, and of its latest fitting.
    parts : tuple of int
        Numbers of the part changes so far.
    changes : tuple of str
        One word for every change so far: a needle's label, or a part.
    """

    needle: str
    turns: float
    idle_stop_turns: float
    fuel: Fuel
    needle_change: int = 0
    mark_change: int = 0
    parts: tuple[int, ...] = ()
    changes: tuple[str, ...] = ()

    def after(self, entry: Entry, installation: Installation) -> "Position":
        """The position after one more entry."""
        match entry:
            case TurnScrew(turns):
                return replace(self, turns=round(self.turns + turns, _TURN_DIGITS))
            case TurnIdleStop(turns):
                return replace(self, idle_stop_turns=round(self.idle_stop_turns + turns, _TURN_DIGITS))
            case ChangeNeedle(needle, turns):
                installation.needle(needle)
                number = len(self.changes)
                first = self.changes.index(needle) if needle in self.changes else number
                return replace(
                    self,
                    needle=needle,
                    turns=turns,
                    needle_change=first,
                    mark_change=number,
                    changes=(*self.changes, needle),
                )
            case ChangePart(part, fuel):
                number = len(self.changes)
                known = self.fuel if part is not Part.FUEL or fuel is None else fuel
                return replace(self, fuel=known, parts=(*self.parts, number), changes=(*self.changes, f"part:{part}"))
        return self


@dataclass(frozen=True)
class Evidence:
    """Everything the posterior is conditioned on, and where the engine stands now.

    Parameters
    ----------
    settings, readings : Settings, Readings
        One row a run (a single empty row where there is none).
    pivot : Settings
        Setting half way along the runs since the latest change, one row: what they say of the mixture there is little
        bound up with where the orifice stands.
    position : Position
        After the last entry.
    trail : tuple of (Position, Run or None)
        Position before every entry, with the run where it is one.
    conditions : Conditions
        Mean of the latest runs', whatever their setting: those in which settings are judged.
    ln_density_error : float
        Standard error of its ln density ratio.
    usual_head : float
        What stands for the head of runs that give none, as `Conditions.ln_head`.
    runs, runs_used : int
    run_numbers : tuple of int
        Of the runs that are used, one a row: the first run of the log is 1.
    scales : Scales
        What readings are measured against.
    since_acknowledged : tuple of Run
        Runs since a limit that was exceeded was last acknowledged.
    static_speed_told : bool
        Whether a static speed was read with the parts as they are, and nothing was acknowledged since.
    prior : EnginePrior
        What is believed of the engine before its first run.
    accepted : bool
        Whether the owner accepted the setting, and nothing was turned or changed since.
    """

    installation: Installation
    throttle: Throttle
    settings: Settings
    readings: Readings
    pivot: Settings
    position: Position
    trail: tuple[tuple[Position, Run], ...]
    conditions: Conditions
    ln_density_error: float
    usual_head: float
    runs: int
    runs_used: int
    scales: Scales
    since_acknowledged: tuple[Run, ...] = ()
    static_speed_told: bool = False
    first_change: int = 0
    channels: frozenset[str] = field(default_factory=frozenset)
    run_numbers: tuple[int, ...] = ()
    prior: EnginePrior = EXPERT
    accepted: bool = False


def start_position(installation: Installation) -> Position:
    """Position before the first entry: the fitted needle with its mark at the slide's edge."""
    return Position(installation.fitted_needle, 0.0, 0.0, installation.fuel, changes=(installation.fitted_needle,))


def replay(installation: Installation, entries: Sequence[Entry]) -> tuple[Position, tuple[tuple[Position, Run], ...]]:
    """Follow the log: position after the last entry, and every run with the position it was made at."""
    position = start_position(installation)
    trail: list[tuple[Position, Run]] = []
    for entry in entries:
        if isinstance(entry, Run):
            trail.append((position, entry))
        else:
            position = position.after(entry, installation)
    return position, tuple(trail)


def throttle_of(installation: Installation) -> Throttle:
    """Geometry for the forward model."""
    body, needles = installation.throttle_body, needle_set(installation)
    return Throttle(
        bore=body.bore_m,
        full_travel=body.slide_stroke_m,
        idle_opening=body.idle_opening_m,
        mark_to_orifice=body.mark_to_orifice_m,
        orifice_diameter=body.orifice_diameter_m,
        needle_diameter=body.needle_diameter_m,
        middle_slope=needles.middle_slope,
        step_spread=needles.step_spread,
    )


def settings_of(
    installation: Installation, rows: Sequence[tuple[Position, Conditions]], first_change: int = 0, extra: int = 0
) -> Settings:
    """Settings of positions, each in its conditions.

    Parameters
    ----------
    first_change : int
        Number of the oldest change held apart; it takes the first of the `CHANGES` columns.
    extra : int
        Columns beyond `CHANGES`, for changes not made yet.
    """
    body, needles = installation.throttle_body, needle_set(installation)
    n, columns = len(rows), CHANGES + extra
    slope, mark, part = (np.zeros((n, columns)) for _ in range(3))
    for i, (p, _) in enumerate(rows):
        slope[i, max(p.needle_change - first_change, 0)] = needles.error_load
        if p.mark_change > first_change:
            mark[i, p.mark_change - first_change] = 1.0
        for number in p.parts:
            if number > first_change:
                part[i, number - first_change] = 1.0
    return Settings(
        needle_m=np.array([p.turns * body.screw_pitch_m for p, _ in rows]),
        idle_stop_m=np.array([p.idle_stop_turns * body.idle_stop_pitch_m for p, _ in rows]),
        **{name: np.array([getattr(c, name) for _, c in rows]) for name in Conditions._fields},
        ln_fuel=np.array([FUEL_EFFECT[p.fuel] for p, _ in rows]),
        ln_slope=np.log([needles.slopes[p.needle] for p, _ in rows]),
        ln_steps=np.array([needles.ln_steps[p.needle] for p, _ in rows]),
        slope_load=slope,
        mark_load=mark,
        part_load=part,
    )


def _sort_key(item: tuple[Position, Run]) -> tuple[float, ...]:
    """Orders runs by content, so that the order of runs at one setting cannot change an answer."""
    position, run = item
    row = row_of(run)
    return (
        float(len(position.changes)),
        position.turns,
        position.idle_stop_turns,
        *(row.get(name, -1.0) for name in PLAIN_READINGS),
        *(run.metered(meter.name) or -1.0 for meter in meters()),
        run.air.temperature_kelvin,
        run.air.pressure_pascal,
        run.air.relative_humidity,
    )


def gather(installation: Installation, entries: Sequence[Entry], prior: EnginePrior = EXPERT) -> Evidence:
    """Lay out a log for the sampler.

    Parameters
    ----------
    entries : sequence of Run or Adjustment
        In the order in which they happened.
    prior : EnginePrior
        What is believed of the engine before its first run.

    Raises
    ------
    UnknownNeedleError
        If a needle was fitted that is not on hand.
    """
    position, trail = replay(installation, entries)
    first_change = max(0, len(position.changes) - CHANGES)
    used = list(enumerate(trail, 1))[-MOST_RUNS:]
    numbered = sorted(
        ((x, number) for number, x in used if len(x[0].changes) > first_change), key=lambda each: _sort_key(each[0])
    )
    kept = [x for x, _ in numbered]
    head = _usual_head([run for _, run in trail])
    rows = [(p, conditions_of_run(run, head)) for p, run in kept]
    half_way = _half_way([p for p, _ in trail]) if kept else position
    conditions, error = middle_conditions([conditions_of_run(run, head) for _, run in trail[-_LATELY:]])
    runs: list[Run | None] = [run for _, run in kept]
    return Evidence(
        installation=installation,
        throttle=throttle_of(installation),
        settings=settings_of(installation, rows or [(half_way, STANDARD)], first_change),
        readings=readings_of(runs or [None]),
        pivot=settings_of(
            installation, [(half_way, middle_conditions([c for p, c in rows if p == half_way])[0])], first_change
        ),
        position=position,
        trail=trail,
        conditions=conditions,
        ln_density_error=error,
        usual_head=head,
        runs=len(trail),
        runs_used=len(kept),
        scales=scales_of(installation, max((run.rise.cylinders for _, run in kept if run.rise), default=1)),
        since_acknowledged=_since_acknowledged(entries),
        static_speed_told=_static_speed_told(entries),
        first_change=first_change,
        channels=frozenset(name for _, run in kept for name in run.channels),
        run_numbers=tuple(number for _, number in numbered),
        prior=prior,
        accepted=_accepted(entries),
    )


def _half_way(positions: Sequence[Position]) -> Position:
    """The position half way along those with the parts that are fitted now."""
    here = [p for p in positions if p.changes == positions[-1].changes]
    return here[len(here) // 2]


def _usual_head(runs: Sequence[Run]) -> float:
    """Mean of ln of the heads that were given, over the reference; nought without any."""
    given = [math.log(run.fuel_head_m / _HEAD_M) for run in runs if run.fuel_head_m is not None]
    return math.fsum(given) / len(given) if given else 0.0


def conditions_of_run(run: Run, usual_head: float) -> Conditions:
    """Conditions of a run; one that gives no head had the usual one."""
    head = usual_head if run.fuel_head_m is None else math.log(run.fuel_head_m / _HEAD_M)
    return conditions_of(run.air, head)


def middle_conditions(of_runs: Sequence[Conditions]) -> tuple[Conditions, float]:
    """Mean conditions of some runs, and the standard error of ln density; without any, the standard's and none.

    The scatter is that of the runs and of one more, as wide as is usual.
    """
    n = len(of_runs)
    if not n:
        return STANDARD, 0.0
    mean = Conditions(*(math.fsum(each) / n for each in zip(*of_runs, strict=True)))
    scatter = (_USUAL_SCATTER**2 + math.fsum((c.ln_density - mean.ln_density) ** 2 for c in of_runs)) / n
    return mean, math.sqrt(scatter / n)


def _accepted(entries: Sequence[Entry]) -> bool:
    kept = Run | Acknowledge  # leave the setting as it is
    last = next((entry for entry in reversed(entries) if not isinstance(entry, kept)), None)
    return isinstance(last, AcceptSetting)


def _since_acknowledged(entries: Sequence[Entry]) -> tuple[Run, ...]:
    last = max((i for i, entry in enumerate(entries) if isinstance(entry, Acknowledge)), default=-1)
    return tuple(entry for entry in entries[last + 1 :] if isinstance(entry, Run))


def _static_speed_told(entries: Sequence[Entry]) -> bool:
    """Whether a static speed was read since the last change of a part, and nothing was acknowledged after the first."""
    told = False
    for entry in entries:
        if isinstance(entry, ChangePart):
            told = acknowledged = False
        elif isinstance(entry, Run) and entry.static_rpm is not None and not told:
            told, acknowledged = True, False
        elif isinstance(entry, Acknowledge) and told:
            acknowledged = True
    return told and not acknowledged
