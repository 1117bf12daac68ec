"""A virtual engine built on none of the product's curves: what is drawn of it, what is true of it, how it is read.

All is invented; sizes are judgement unless a source stands beside them.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from taperwise.model.inference.dataset import Position, start_position
from taperwise.model.simulation.virtual_engine import Truth
from taperwise.shared.records import Adjustment, ChangeNeedle, Installation
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.benchmarks.engines.outside_body import Body, Idling
from tests.benchmarks.engines.outside_exhaust import Exhaust
from tests.benchmarks.engines.outside_flow import Weather, vapour_share

__all__ = ["RUNS_A_DAY", "Ear", "OutsideEngine", "OutsideTruth", "Person", "Tank", "moist"]

RUNS_A_DAY = 5
"""Runs after which another day begins."""

_AUTOCORRELATION, _RISE_KELVIN = 0.6, 6.0


def moist(air: Air) -> Weather:
    """That air with its vapour."""
    vapour = vapour_share(air.temperature_kelvin, air.pressure_pascal, air.relative_humidity)
    return Weather(air.pressure_pascal, air.temperature_kelvin, vapour)


@dataclass(frozen=True)
class OutsideTruth(Truth):
    """What is really so, judged by the leanest of all cylinders, seen or not.

    Parameters
    ----------
    read_right : bool
        Whether the leanest of the cylinders with a probe is in band.
    """

    read_right: bool = False


@dataclass(frozen=True)
class Ear:
    """Where the idle really changes its sound, leanest first [ln phi], and how often a judgement is plainly wrong."""

    cuts: tuple[float, float, float, float]
    wrong: float = 0.04


@dataclass
class Tank:
    """A tank without float: its level falls with every run until it is filled again, and the head with it [m]."""

    middle: float
    span: float
    level: float = 0.5

    def after_a_run(self, rng: np.random.Generator) -> None:
        """Burn some; fill up when it is low, or before a flight in between."""
        self.level -= rng.uniform(0.05, 0.25)
        if self.level < 0.0 or rng.random() < 0.1:
            self.level = rng.uniform(0.7, 1.0)

    @property
    def head(self) -> float:
        """Head as the tank stands [m]."""
        return self.middle + self.span * (self.level - 0.5)


@dataclass
class Person:
    """Who reads: biases of a campaign and of a day, and scatter that lasts from run to run.

    Parameters
    ----------
    rise_kelvin, rise_gain : float
        Bias of the gauge [K], [-].
    ear : float
        Bias of the ear [ln phi].
    tachometer : float
        Offset [rpm].
    """

    rise_kelvin: float
    rise_gain: float
    ear: float
    tachometer: float
    today_kelvin: float = 0.0
    today_ear: float = 0.0
    lasting_kelvin: float = 0.0

    @classmethod
    def draw(cls, rng: np.random.Generator) -> "Person":
        """Anybody."""
        return cls(rng.normal(0.0, 3.0), rng.normal(1.0, 0.03), rng.normal(0.0, 0.015), rng.normal(0.0, 15.0))

    def another_day(self, rng: np.random.Generator) -> None:
        """Draw the day's own biases."""
        self.today_kelvin, self.today_ear = rng.normal(0.0, 2.0), rng.normal(0.0, 0.01)

    def another_run(self, rng: np.random.Generator) -> None:
        """Draw the scatter of the next run: first-order autoregression."""
        fresh = math.sqrt(1.0 - _AUTOCORRELATION**2) * rng.normal(0.0, _RISE_KELVIN)
        self.lasting_kelvin = _AUTOCORRELATION * self.lasting_kelvin + fresh


class OutsideEngine:
    """An engine whose truth is known, and is nobody's model.

    Parameters
    ----------
    installation : Installation
        What its owner recorded, with the owner's errors of measurement.
    body : Body
        Throttle body and pumping; `body.losses` holds the true slope of every needle.
    exhaust : Exhaust
    ear : Ear
    tank : Tank
    rng : numpy.random.Generator
        For marks set by eye, and for readings.

    Attributes
    ----------
    position : Position
    made : list of Adjustment
        What was really turned or changed, in order.
    """

    def __init__(
        self, installation: Installation, body: Body, exhaust: Exhaust, ear: Ear, tank: Tank, rng: np.random.Generator
    ) -> None:
        self.installation = installation
        self.position: Position = start_position(installation)
        self.made: list[Adjustment] = []
        self._body, self._exhaust, self._ear, self._tank = body, exhaust, ear, tank
        self._person = Person.draw(rng)
        self._marks = rng.normal(0.0, 0.2e-3, 64)  # set by eye at every fitting [m]
        self._rng = rng
        self._runs = 0

    def adjust(self, adjustment: Adjustment) -> None:
        """Turn or change something."""
        self.made.append(adjustment)
        self.position = self.position.after(adjustment, self.installation)

    def fitted_anew(self, needle: str) -> Position:
        """The position with that needle, its mark at the slide's edge; as it is fitted now where it is."""
        if needle == self.position.needle:
            return self.position
        return self.position.after(ChangeNeedle(needle), self.installation)

    def truth(self, air: Air) -> OutsideTruth:
        """What is really so at the present setting, under the mean head."""
        return self.truth_at(self.position, air)

    def truth_at(self, position: Position, air: Air) -> OutsideTruth:
        """What would really be so at another position, under the mean head."""
        phi, idling = self._mixtures(position, moist(air), self._tank.middle)
        rises = self._exhaust.rises(phi)
        low, high = self.installation.targets.rise_kelvin
        slow, fast = self.installation.targets.idle_rpm
        every, read = min(rises), min(rises[i] for i in self._exhaust.probes)
        return OutsideTruth(
            rise_kelvin=every,
            lean=every < 0.0,
            full_right=low <= every <= high,
            idle_right=self._ear.cuts[1] < math.log(idling.phi) < self._ear.cuts[2],
            speed_right=slow <= idling.rpm <= fast,
            idle_rpm=idling.rpm,
            read_right=low <= read <= high,
        )

    def _mixtures(
        self, position: Position, weather: Weather, head: float, full: float = 1.0, idle: float = 1.0
    ) -> tuple[float, Idling]:
        """Mean phi at full throttle, and the idle; the factors are a run's own scatter of mixture."""
        body, recorded = self._body, self.installation.throttle_body
        # marks are set anew at every fitting, the first included
        start = body.mark + self._marks[position.mark_change % 64] + position.turns * recorded.screw_pitch_m
        needle = body.needle(position.needle)
        phi = full * body.full_throttle(needle, start, weather, head)
        return phi, body.idle(needle, start, self._opening(position), weather, head, idle)

    def _opening(self, position: Position) -> float:
        """Travel of the slide at idle [m]."""
        pitch = self.installation.throttle_body.idle_stop_pitch_m
        return max(self._body.opening + position.idle_stop_turns * pitch, 0.3e-3)

    def run(self, air: Air) -> Run:
        """Make a run and read the gauges; now and then something is not read, or misjudged."""
        rng, person = self._rng, self._person
        if self._runs % RUNS_A_DAY == 0:
            person.another_day(rng)
        self._runs += 1
        person.another_run(rng)
        scatter = (math.exp(rng.normal(0.0, 0.006)), math.exp(rng.normal(0.0, 0.01)))
        weather = moist(air)
        phi, idling = self._mixtures(self.position, weather, self._tank.head, *scatter)
        leaned = self._body.leaned(idling, self._opening(self.position), weather)
        self._tank.after_a_run(rng)
        run = Run(
            air=Air(
                air.temperature_kelvin + rng.normal(0.0, 0.7),
                air.pressure_pascal + rng.normal(0.0, 80.0),
                float(np.clip(air.relative_humidity + rng.normal(0.0, 0.05), 0.0, 1.0)),
            ),
            rise=self._rise(phi),
            idle_quality=self._heard(math.log(idling.phi)),
            idle_rpm_rise=_to_five(max(0.0, leaned + rng.normal(0.0, 6.0))),
            static_rpm=_to_five(self._body.static_speed(phi, weather) + person.tachometer + rng.normal(0.0, 8.0)),
            idle_rpm=_to_five(idling.rpm + person.tachometer + rng.normal(0.0, 8.0)),
        )
        return self._unread(run)

    def _unread(self, run: Run) -> Run:
        """The run without what was not read; idle speed is always there."""
        chances = {"rise": 0.04, "idle_quality": 0.04, "idle_rpm_rise": 0.3, "static_rpm": 0.2}
        missing = {name: None for name, chance in chances.items() if self._rng.random() < chance}
        return replace(run, **missing)  # type: ignore[arg-type]

    def _rise(self, phi: float) -> ExhaustRise:
        person, rises = self._person, self._exhaust.rises(phi)
        shown = min(rises[i] + self._rng.normal(0.0, 2.5) for i in self._exhaust.probes)
        shown = person.rise_gain * shown + person.rise_kelvin + person.today_kelvin + person.lasting_kelvin
        probes = len(self._exhaust.probes)
        kelvin = round(1.8 * shown / 5.0) * 5.0 / 1.8  # read to 5 °F
        if kelvin <= 0.0:
            return ExhaustRise(RiseSeen.FELL_AT_ONCE, cylinders=probes)
        if kelvin > self._exhaust.rough_kelvin:
            return ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, self._exhaust.rough_kelvin, cylinders=probes)
        return ExhaustRise(RiseSeen.PEAK, kelvin, cylinders=probes)

    def _heard(self, ln_phi: float) -> IdleQuality:
        person, rng = self._person, self._rng
        heard = ln_phi + person.ear + person.today_ear + rng.normal(0.0, 0.015)
        level = 1 + sum(heard > cut for cut in self._ear.cuts)
        if rng.random() < self._ear.wrong:
            level = int(np.clip(level + rng.choice([-1, 1]), 1, 5))
        return IdleQuality(level)


def _to_five(rpm: float) -> float:
    return 5.0 * round(rpm / 5.0)
