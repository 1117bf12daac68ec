"""Families of virtual engines for the campaign bench: one that the model expects, and others that break it.

Each breaks one assumption and keeps the rest, but for `outside`, which is built on none of the model's curves. All are
invented; the sizes of the breaks are judgement.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.likelihood import Expected
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics import exhaust
from taperwise.model.physics.air import Conditions
from taperwise.model.physics.backend import Array
from taperwise.model.physics.mixture import Ends
from taperwise.model.physics.needle import fuel_area
from taperwise.model.physics.needle_set import needle_set
from taperwise.model.simulation.tuned import Place
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import Adjustment, Engine, Installation, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, IdleQuality, RiseSeen, Run
from tests.benchmarks.engines.campaign import Tunable
from tests.benchmarks.engines.outside_family import draw_days, draw_outside
from tests.benchmarks.engines.virtual_sweep import Curve

__all__ = ["FAMILIES", "STANDARD", "Family", "draw_engine"]


@dataclass(frozen=True)
class Family:
    """A kind of engine, builder and weather.

    Parameters
    ----------
    about : str
        What it breaks, in words.
    make : callable
        ``(installation, rng, curves) -> engine``; the curves are a calculated cycle's, at several mixture spreads.
    place : callable
        ``rng -> Place``: where, and on what day, an engine is tuned.
    """

    about: str
    make: Callable[[Installation, np.random.Generator, tuple[Curve, ...]], Tunable]
    place: Callable[[np.random.Generator], Place]


STANDARD = Place(Air(288.15, 101_325.0))
"""Standard air at sea level in every run."""


def _steady(rng: np.random.Generator) -> Place:
    return STANDARD


def _changing(rng: np.random.Generator) -> Place:
    """A field between the sea and 1,500 m on days between frost and heat; from run to run a cool morning, a hot
    afternoon, a front: air some four per cent thinner or denser than in the middle of them.
    """
    middle = Air(rng.uniform(268.0, 306.0), rng.uniform(86_000.0, 102_000.0), 0.5)
    return Place(middle, kelvin=8.0, pascal=1_500.0, dry=0.1, damp=0.9)


def _plain(installation: Installation, rng: np.random.Generator, curves: tuple[Curve, ...]) -> VirtualEngine:
    return VirtualEngine(installation, draw_unknowns(installation, rng), rng)


class _CycleEngine(VirtualEngine):
    """The rise comes from a calculated cycle's table, with the heat loss of its own."""

    curve: Curve
    scale: float

    def _expected(self, conditions: Conditions) -> Expected:
        expected = super()._expected(conditions)
        phi, top = self.curve.peak()
        ln_full = float(self._ends(conditions).full[0, 0])
        drop = self.scale * (top - float(np.interp(phi * np.exp(ln_full), self.curve.phi, self.curve.kelvin)))
        return replace(expected, rise=np.reshape(drop if ln_full > 0 else -drop, (1, 1)))


def _cycle(installation: Installation, rng: np.random.Generator, curves: tuple[Curve, ...]) -> VirtualEngine:
    engine = _CycleEngine(installation, draw_unknowns(installation, rng), rng)
    engine.curve = curves[rng.integers(len(curves))]
    engine.scale = rng.uniform(0.85, 1.1)
    return engine


class _NoisyEngine(VirtualEngine):
    """Readings scatter with Student's t of two degrees of freedom, and the rise is read with a bias of its own."""

    bias: float

    def _scatter(self, centre: Array, scale: Array) -> float:
        return float(np.reshape(centre + 1.3 * scale * self._rng.standard_t(2.0), -1)[0])

    def _rise_reading(self, e: Expected, conditions: Conditions) -> float:
        return super()._rise_reading(e, conditions) + self.bias


def _noise(installation: Installation, rng: np.random.Generator, curves: tuple[Curve, ...]) -> VirtualEngine:
    engine = _NoisyEngine(installation, draw_unknowns(installation, rng), rng)
    engine.bias = rng.normal(0.0, 4.0)
    return engine


class _BentEngine(VirtualEngine):
    """A needle whose slope changes along its length, and a slide that travels less far than was measured."""

    bend: float
    travel_lost_m: float

    def _areas(self, turns: float, needle: str, opening: float) -> tuple[float, float]:
        body = self.installation.throttle_body
        slope = needle_set(self.installation).slopes[needle]
        whole = body.slide_stroke_m + body.mark_to_orifice_m
        start = body.mark_to_orifice_m + float(self._u.offset[0, 0]) + turns * body.screw_pitch_m
        lengths = np.array([start + body.slide_stroke_m - self.travel_lost_m, start + opening])
        bent = lengths * (1.0 + self.bend * (lengths / whole - 0.5))
        full, idle = fuel_area(bent, slope, body.orifice_diameter_m, body.needle_diameter_m)
        return float(full), float(idle)

    def _straight(self, turns: float, needle: str, opening: float) -> tuple[float, float]:
        bend, lost = self.bend, self.travel_lost_m
        self.bend, self.travel_lost_m = 0.0, 0.0
        areas = self._areas(turns, needle, opening)
        self.bend, self.travel_lost_m = bend, lost
        return areas

    def _ends(self, conditions: Conditions) -> Ends:
        ends = super()._ends(conditions)
        p, body = self.position, self.installation.throttle_body
        opening = max(body.idle_opening_m + p.idle_stop_turns * body.idle_stop_pitch_m, 0.1 * body.idle_opening_m)
        here = np.log(self._areas(p.turns, p.needle, opening)) - np.log(self._straight(p.turns, p.needle, opening))
        s = self._start
        first = body.idle_opening_m
        there = np.log(self._areas(s.turns, s.needle, first)) - np.log(self._straight(s.turns, s.needle, first))
        full, idle = here - there
        return Ends(ends.full + float(self._u.needle_share[0, 0]) * full, ends.idle + idle, ends.opening)


def _needle(installation: Installation, rng: np.random.Generator, curves: tuple[Curve, ...]) -> VirtualEngine:
    engine = _BentEngine(installation, draw_unknowns(installation, rng), rng)
    engine.bend, engine.travel_lost_m = rng.normal(0.0, 0.04), abs(rng.normal(0.0, 0.6e-3))
    return engine


class _UnequalEngine(VirtualEngine):
    """Four cylinders that are unequal, each with its probe: the leanest reading is written down."""

    gaps: NDArray[np.float64]

    def _rise_reading(self, e: Expected, conditions: Conditions) -> float:
        full, u = float(self._ends(conditions).full[0, 0]), self._u
        rises = exhaust.rise(full + self.gaps, u.exhaust_scale, u.exhaust_width)
        return min(self._scatter(x, u.rise_noise) for x in np.reshape(rises, -1))


def _cylinders(installation: Installation, rng: np.random.Generator, curves: tuple[Curve, ...]) -> VirtualEngine:
    four = replace(installation, engine=Engine(egt_probes=4))
    engine = _UnequalEngine(four, draw_unknowns(four, rng), rng)
    gaps = rng.normal(0.0, 0.03, 4)
    engine.gaps = gaps - gaps.min()
    return engine


class _CarelessEngine(VirtualEngine):
    """One turn in twenty is made the wrong way or not at all, one idle judgement in ten is a level off, and the rise
    is written down to the nearest 25 °F.
    """

    def adjust(self, adjustment: Adjustment) -> None:
        if isinstance(adjustment, TurnScrew | TurnIdleStop) and self._rng.random() < 0.05:
            adjustment = replace(adjustment, turns=0.0 if self._rng.random() < 0.5 else -adjustment.turns)
        super().adjust(adjustment)

    def run(self, air: Air, *, idle_rise: bool = True, speeds: bool = True, instruments: bool = False) -> Run:
        run = super().run(air, idle_rise=idle_rise, speeds=speeds, instruments=instruments)
        if run.idle_quality is not None and self._rng.random() < 0.1:
            off = int(np.clip(run.idle_quality + self._rng.choice([-1, 1]), 1, 5))
            run = replace(run, idle_quality=IdleQuality(off))
        if run.rise is not None and run.rise.seen is RiseSeen.PEAK:
            run = replace(run, rise=replace(run.rise, kelvin=round(run.rise.kelvin * 1.8 / 25) * 25 / 1.8))
        return run


def _careless(installation: Installation, rng: np.random.Generator, curves: tuple[Curve, ...]) -> VirtualEngine:
    return _CarelessEngine(installation, draw_unknowns(installation, rng), rng)


def _outside(installation: Installation, rng: np.random.Generator, curves: tuple[Curve, ...]) -> Tunable:
    """An engine of another make: neither that installation nor the curves are its own."""
    return draw_outside(rng)


FAMILIES: dict[str, Family] = {
    "prior": Family("drawn from the model itself", _plain, _steady),
    "cycle": Family("exhaust temperature from a calculated cycle's table", _cycle, _steady),
    "noise": Family("heavy-tailed scatter and a biased gauge", _noise, _steady),
    "needle": Family("a needle whose slope changes along it, and a slide that travels less far", _needle, _steady),
    "cylinders": Family("unequal cylinders", _cylinders, _steady),
    "careless": Family("a careless builder", _careless, _steady),
    "weather": Family("another field, and other weather in every run", _plain, _changing),
    "outside": Family("on none of the model's curves: cone, head, choked slide, days of weather", _outside, draw_days),
}
"""Families by name."""


def draw_engine(
    family: str, installation: Installation, seed: int, curves: tuple[Curve, ...]
) -> tuple[Tunable, Place, np.random.Generator]:
    """An engine of a family, where it is tuned, and the generator of its weather; a seed gives every policy the same.

    Parameters
    ----------
    curves : tuple of Curve
        A calculated cycle at several spreads of mixture.
    """
    engine = FAMILIES[family].make(installation, np.random.default_rng([seed, 1]), curves)
    rng = np.random.default_rng([seed, 2])
    return engine, FAMILIES[family].place(rng), rng
