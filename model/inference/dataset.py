"""From a log to arrays: follow the settings through the entries and lay the readings beside them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.engine_prior import EXPERT, EnginePrior
from taperwise.model.physics.air import density_ratio
from taperwise.model.physics.mixture import Settings, Throttle
from taperwise.model.physics.nominal_values import Scales, scales_of
from taperwise.model.physics.priors import CHANGES, SURENESS_WIDENS, TRACED_SHARE
from taperwise.shared.meters import meters
from taperwise.shared.records import (
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
from taperwise.shared.runs import IdleQuality, RiseSeen, Run

__all__ = [
    "FUEL_EFFECT",
    "Evidence",
    "Position",
    "Readings",
    "gather",
    "middle_air",
    "readings_of",
    "replay",
    "settings_of",
    "throttle_of",
]

FUEL_EFFECT: dict[Fuel, float] = {Fuel.AVGAS: 0.0, Fuel.MOGAS: 0.0, Fuel.MOGAS_E10: math.log(0.96)}
"""ln(phi) over avgas on fixed hardware: phi goes with the stoichiometric ratio times the root of fuel density."""

_LATELY = 12  # runs whose air is that of the days of a tuning: a setting is to be right in the middle of them

_USUAL_SCATTER = 0.015  # of ln density from run to run on the days of a tuning; judgement

_LOGISTIC_SCALE = math.sqrt(3.0) / math.pi  # of a logistic with standard deviation 1


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
                return replace(self, turns=self.turns + turns)
            case TurnIdleStop(turns):
                return replace(self, idle_stop_turns=self.idle_stop_turns + turns)
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
class Readings:
    """Readings of n runs, each with a mask that is 1 where there is one; all of shape (n,).

    `rise_share` is the share of the common scatter that applies to a rise, `rise_error` its own error as a logistic
    scale [K]; `widening` is how many times wider what was read off gauges and judged scatters. `spread` is the mean
    rise over the cylinders less the leanest one's [K]; every meter of `taperwise.shared.meters`, in order, as a
    logarithm.
    """

    rise: NDArray[np.float64]
    rise_share: NDArray[np.float64]
    rise_error: NDArray[np.float64]
    has_rise: NDArray[np.float64]
    fell: NDArray[np.float64]
    rough: NDArray[np.float64]
    spread: NDArray[np.float64]
    has_spread: NDArray[np.float64]
    widening: NDArray[np.float64]
    level: NDArray[np.float64]
    has_level: NDArray[np.float64]
    idle_rise: NDArray[np.float64]
    has_idle_rise: NDArray[np.float64]
    no_idle_rise: NDArray[np.float64]
    static_rpm: NDArray[np.float64]
    has_static: NDArray[np.float64]
    idle_rpm: NDArray[np.float64]
    has_idle_rpm: NDArray[np.float64]
    power_rise: NDArray[np.float64]
    has_power_rise: NDArray[np.float64]
    no_power_rise: NDArray[np.float64]
    ln_meters: tuple[NDArray[np.float64], ...]
    has_meters: tuple[NDArray[np.float64], ...]

    def rows(self) -> list[NDArray[np.float64]]:
        """All of them one after the other, (n,) each."""
        return [*(getattr(self, name) for name in _PLAIN_READINGS), *self.ln_meters, *self.has_meters]

    @classmethod
    def of_rows(cls, rows: Sequence[Any]) -> "Readings":
        """From what `rows` gave, or what stands for it."""
        plain, count = len(_PLAIN_READINGS), len(meters())
        found = dict(zip(_PLAIN_READINGS, rows, strict=False))
        return cls(
            **found,
            ln_meters=tuple(rows[plain + i] for i in range(count)),
            has_meters=tuple(rows[plain + count + i] for i in range(count)),
        )


_PLAIN_READINGS = tuple(f.name for f in fields(Readings) if f.name not in ("ln_meters", "has_meters"))


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
    ln_density : float
        Mean ln density ratio of the latest runs, whatever their setting: the air in which settings are judged.
    ln_density_error : float
        Standard error of that.
    runs, runs_used : int
    scales : Scales
        What readings are measured against.
    since_acknowledged : tuple of Run
        Runs since a limit that was exceeded was last acknowledged.
    prior : EnginePrior
        What is believed of the engine before its first run.
    """

    installation: Installation
    throttle: Throttle
    settings: Settings
    readings: Readings
    pivot: Settings
    position: Position
    trail: tuple[tuple[Position, Run], ...]
    ln_density: float
    ln_density_error: float
    runs: int
    runs_used: int
    scales: Scales
    since_acknowledged: tuple[Run, ...] = ()
    first_change: int = 0
    channels: frozenset[str] = field(default_factory=frozenset)
    prior: EnginePrior = EXPERT


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
    body = installation.throttle_body
    return Throttle(
        full_travel=body.slide_stroke_m,
        idle_opening=body.idle_opening_m,
        mark_to_orifice=body.mark_to_orifice_m,
        orifice_diameter=body.orifice_diameter_m,
        needle_diameter=body.needle_diameter_m,
        middle_slope=float(np.median([n.taper_slope for n in installation.needles])),
    )


def settings_of(
    installation: Installation, rows: Sequence[tuple[Position, float]], first_change: int = 0, extra: int = 0
) -> Settings:
    """Settings of positions, each with its ln density ratio.

    Parameters
    ----------
    first_change : int
        Number of the oldest change held apart; it takes the first of the `CHANGES` columns.
    extra : int
        Columns beyond `CHANGES`, for changes not made yet.
    """
    body = installation.throttle_body
    n, columns = len(rows), CHANGES + extra
    slope, mark, part = (np.zeros((n, columns)) for _ in range(3))
    for i, (p, _) in enumerate(rows):
        slope[i, max(p.needle_change - first_change, 0)] = 1.0
        if p.mark_change > first_change:
            mark[i, p.mark_change - first_change] = 1.0
        for number in p.parts:
            if number > first_change:
                part[i, number - first_change] = 1.0
    return Settings(
        needle_m=np.array([p.turns * body.screw_pitch_m for p, _ in rows]),
        idle_stop_m=np.array([p.idle_stop_turns * body.idle_stop_pitch_m for p, _ in rows]),
        ln_density=np.array([d for _, d in rows]),
        ln_fuel=np.array([FUEL_EFFECT[p.fuel] for p, _ in rows]),
        ln_slope=np.log([installation.needle(p.needle).taper_slope for p, _ in rows]),
        slope_load=slope,
        mark_load=mark,
        part_load=part,
    )


def readings_of(runs: Sequence[Run | None]) -> Readings:
    """Readings of runs; None for a row without any."""
    n = len(runs)
    columns: dict[str, NDArray[np.float64]] = {name: np.zeros(n) for name in _PLAIN_READINGS}
    for i, run in enumerate(runs):
        for name, value in _row(run).items():
            columns[name][i] = value
    for name in ("rise_share", "widening"):
        columns[name] = np.where(columns[name] > 0, columns[name], 1.0)
    columns["level"] = np.where(columns["has_level"] > 0, columns["level"], float(IdleQuality.SMOOTH))
    shown = [[None if run is None else run.metered(meter.name) for run in runs] for meter in meters()]
    return Readings(
        **columns,
        ln_meters=tuple(np.array([0.0 if x is None else math.log(x) for x in each]) for each in shown),
        has_meters=tuple(np.array([float(x is not None) for x in each]) for each in shown),
    )


def _row(run: Run | None) -> dict[str, float]:
    row: dict[str, Any] = {}
    if run is None:
        return row
    row["widening"] = SURENESS_WIDENS[run.sureness]
    if run.rise is not None:
        flag = {RiseSeen.PEAK: "has_rise", RiseSeen.FELL_AT_ONCE: "fell", RiseSeen.ROUGH_BEFORE_PEAK: "rough"}
        row |= {"rise": run.rise.kelvin, "rise_share": row["widening"], flag[run.rise.seen]: 1.0}
        if run.rise.spread_kelvin is not None:
            row |= {"spread": run.rise.spread_kelvin, "has_spread": 1.0}
        if run.rise.error_kelvin is not None:
            row |= {"rise_share": TRACED_SHARE, "rise_error": run.rise.error_kelvin * _LOGISTIC_SCALE}
    if run.idle_quality is not None:
        row |= {"level": float(run.idle_quality), "has_level": 1.0}
    if run.idle_rpm_rise is not None:
        row |= {"idle_rise": run.idle_rpm_rise, "has_idle_rise" if run.idle_rpm_rise > 0 else "no_idle_rise": 1.0}
    if run.static_rpm is not None:
        row |= {"static_rpm": run.static_rpm, "has_static": 1.0}
    if run.idle_rpm is not None:
        row |= {"idle_rpm": run.idle_rpm, "has_idle_rpm": 1.0}
    if run.power_rpm_rise is not None:
        seen = "has_power_rise" if run.power_rpm_rise > 0 else "no_power_rise"
        row |= {"power_rise": run.power_rpm_rise, seen: 1.0}
    return row


def _sort_key(item: tuple[Position, Run]) -> tuple[float, ...]:
    """Orders runs by content, so that the order of runs at one setting cannot change an answer."""
    position, run = item
    row = _row(run)
    return (
        float(len(position.changes)),
        position.turns,
        position.idle_stop_turns,
        *(row.get(name, -1.0) for name in _PLAIN_READINGS),
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
    kept = sorted((x for x in trail if len(x[0].changes) > first_change), key=_sort_key)
    rows = [(p, math.log(density_ratio(run.air))) for p, run in kept]
    half_way = _half_way([p for p, _ in trail]) if kept else position
    ln_density, error = middle_air([math.log(density_ratio(run.air)) for _, run in trail[-_LATELY:]])
    runs: list[Run | None] = [run for _, run in kept]
    return Evidence(
        installation=installation,
        throttle=throttle_of(installation),
        settings=settings_of(installation, rows or [(half_way, 0.0)], first_change),
        readings=readings_of(runs or [None]),
        pivot=settings_of(
            installation, [(half_way, middle_air([d for p, d in rows if p == half_way])[0])], first_change
        ),
        position=position,
        trail=trail,
        ln_density=ln_density,
        ln_density_error=error,
        runs=len(trail),
        runs_used=len(kept),
        scales=scales_of(installation, max((run.rise.cylinders for _, run in kept if run.rise), default=1)),
        since_acknowledged=_since_acknowledged(entries),
        first_change=first_change,
        channels=frozenset(name for _, run in kept for name in run.channels),
        prior=prior,
    )


def _half_way(positions: Sequence[Position]) -> Position:
    """The position half way along those with the parts that are fitted now."""
    here = [p for p in positions if p.changes == positions[-1].changes]
    return here[len(here) // 2]


def middle_air(ln_densities: Sequence[float]) -> tuple[float, float]:
    """Mean ln density ratio of some runs and its standard error; without any, standard air and none.

    The scatter is that of the runs and of one more, as wide as is usual.
    """
    n = len(ln_densities)
    if not n:
        return 0.0, 0.0
    mean = math.fsum(ln_densities) / n
    scatter = (_USUAL_SCATTER**2 + math.fsum((x - mean) ** 2 for x in ln_densities)) / n
    return mean, math.sqrt(scatter / n)


def _since_acknowledged(entries: Sequence[Entry]) -> tuple[Run, ...]:
    last = max((i for i, entry in enumerate(entries) if isinstance(entry, Acknowledge)), default=-1)
    return tuple(entry for entry in entries[last + 1 :] if isinstance(entry, Run))
