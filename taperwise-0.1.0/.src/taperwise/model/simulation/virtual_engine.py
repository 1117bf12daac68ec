"""A virtual engine: drawn from the prior or given, it is run and adjusted like a real one.

It uses the one forward model, so a service can be tried against engines whose truth is known.
"""

import math
from dataclasses import dataclass, replace

import numpy as np

from taperwise.model.inference.dataset import Position, gather, settings_of, start_position
from taperwise.model.inference.likelihood import Expected, expected_readings, richer
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics import noise
from taperwise.model.physics.air import STANDARD, Conditions, conditions_of
from taperwise.model.physics.backend import Array
from taperwise.model.physics.meters import scatter_of
from taperwise.model.physics.mixture import Ends, Settings, Unknowns, idle_cutpoints, leanest, mixtures
from taperwise.model.physics.nominal_values import scales_of
from taperwise.model.physics.priors import (
    CHANGES,
    EAR_BIAS,
    GAUGE_BIAS_KELVIN,
    POWER_RISE_SHARE,
    ROUGH_RISE_KELVIN,
)
from taperwise.shared.meters import meters
from taperwise.shared.records import Adjustment, ChangeNeedle, Installation
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run

__all__ = ["Truth", "VirtualEngine"]


@dataclass(frozen=True)
class Truth:
    """What is really so at the engine's setting: noise-free readings and whether each stage is in band."""

    rise_kelvin: float
    lean: bool
    full_right: bool
    idle_right: bool
    speed_right: bool
    idle_rpm: float


class VirtualEngine:
    """An engine whose truth is known.

    Parameters
    ----------
    installation : Installation
    unknowns : Unknowns
        One draw, pivoted at the start position in standard air.
    rng : numpy.random.Generator
        For the noise of its readings.

    Attributes
    ----------
    made : list of Adjustment
        What was really turned or changed, in order.
    """

    def __init__(self, installation: Installation, unknowns: Unknowns, rng: np.random.Generator) -> None:
        self.installation = installation
        self.position: Position = start_position(installation)
        self.made: list[Adjustment] = []
        self._u = unknowns
        self._rng = rng
        self._throttle = gather(installation, ()).throttle
        self._start = self.position
        self._scales = scales_of(installation)
        self._off: Array = 0.0  # of this run's mixture, at both ends [ln phi]

    @classmethod
    def draw(cls, installation: Installation, seed: int) -> "VirtualEngine":
        """An engine drawn from the prior."""
        rng = np.random.default_rng(seed)
        return cls(installation, draw_unknowns(installation, rng), rng)

    def _settings(self, position: Position, conditions: Conditions) -> Settings:
        extra = self._u.first.shape[1] - CHANGES
        return settings_of(self.installation, [(position, conditions)], extra=extra)

    def _ends(self, conditions: Conditions) -> Ends:
        here, pivot = self._settings(self.position, conditions), self._settings(self._start, STANDARD)
        return richer(mixtures(self._u, here, pivot, self._throttle), self._off)

    def _expected(self, conditions: Conditions) -> Expected:
        here = self._settings(self.position, conditions)
        return expected_readings(self._u, self._ends(conditions), here, self._scales)

    def adjust(self, adjustment: Adjustment) -> None:
        """Turn or change something; a change beyond those drawn so far draws its own effects."""
        self.made.append(adjustment)
        self.position = self.position.after(adjustment, self.installation)
        if len(self.position.changes) > self._u.first.shape[1]:
            first, second = (np.c_[x, self._rng.standard_normal((1, 1))] for x in (self._u.first, self._u.second))
            self._u = replace(self._u, first=first, second=second)

    def run(self, air: Air, *, idle_rise: bool = True, speeds: bool = True, instruments: bool = False) -> Run:
        """Make a run and read the gauges.

        Parameters
        ----------
        idle_rise, speeds : bool
            Whether the rise of idle speed, and the static and idle speed, are read.
        instruments : bool
            Whether the rise of static speed on leaning, all meters and the spread among cylinders are read too.
        """
        self._off = self._u.mixture_scatter * self._rng.standard_normal()
        try:
            return self._read(conditions_of(air), air, idle_rise, speeds, instruments)
        finally:
            self._off = 0.0

    def _read(self, conditions: Conditions, air: Air, idle_rise: bool, speeds: bool, instruments: bool) -> Run:
        """What the gauges of one run show."""
        e, u = self._expected(conditions), self._u
        draw = {
            name: self._scatter(getattr(e, name), scale)
            for name, scale in (
                ("spread", u.rise_noise),
                ("idle_rise", u.idle_rise_noise),
                ("static_rpm", u.static_rpm_noise),
                ("idle_rpm", u.idle_rpm_noise),
                ("power_rise", POWER_RISE_SHARE * u.static_rpm_noise),
            )
        }
        metered = [
            (meter.name, math.exp(self._scatter(shown, np.array(scatter_of(meter.name)))))
            for meter, shown in zip(meters(), e.ln_meters, strict=True)
        ]
        draw["rise"] = self._rise_reading(e, conditions) + GAUGE_BIAS_KELVIN * float(u.gauge_bias[0, 0])
        heard_at = self._ends(conditions).idle[0, 0] + EAR_BIAS * u.ear_bias[0, 0]
        judged = heard_at + u.idle_blur[0, 0] * self._rng.logistic()
        heard = 1 + sum(bool(judged > cut[0, 0]) for cut in idle_cutpoints(u)[:4])
        level = int(noise.draw_level(np.array(float(heard)), self._rng))
        return Run(
            air=air,
            rise=self._rise_seen(draw["rise"], draw["spread"] if instruments else None),
            idle_quality=IdleQuality(level),
            idle_rpm_rise=max(0.0, draw["idle_rise"]) if idle_rise else None,
            static_rpm=draw["static_rpm"] if speeds else None,
            idle_rpm=draw["idle_rpm"] if speeds else None,
            power_rpm_rise=max(0.0, draw["power_rise"]) if instruments else None,
            meters=tuple(metered) if instruments else (),
        )

    def _scatter(self, centre: Array, scale: Array) -> float:
        return float(np.reshape(noise.draw(np.asarray(centre), np.asarray(scale), self._rng), -1)[0])

    def _rise_reading(self, e: Expected, conditions: Conditions) -> float:
        """What is read of the rise, before it is censored [K]."""
        return self._scatter(e.rise, self._u.rise_noise)

    def _rise_seen(self, reading: float, spread: float | None) -> ExhaustRise:
        probes = self.installation.engine.egt_probes or 1
        if reading < 0.0:
            return ExhaustRise(RiseSeen.FELL_AT_ONCE, cylinders=probes)
        if reading > ROUGH_RISE_KELVIN:
            return ExhaustRise(RiseSeen.ROUGH_BEFORE_PEAK, ROUGH_RISE_KELVIN, cylinders=probes)
        return ExhaustRise(RiseSeen.PEAK, reading, cylinders=probes, spread_kelvin=spread if probes > 1 else None)

    def fitted_anew(self, needle: str) -> Position:
        """The position with that needle, its mark at the slide's edge; as it is fitted now where it is."""
        if needle == self.position.needle:
            return self.position
        return self.position.after(ChangeNeedle(needle), self.installation)

    def truth_at(self, position: Position, air: Air) -> Truth:
        """What would really be so at another position; a change not made yet as it would come out."""
        now, drawn = self.position, self._u
        missing = len(position.changes) - drawn.first.shape[1]
        if missing > 0:
            first, second = (np.c_[x, np.zeros((1, missing))] for x in (drawn.first, drawn.second))
            self._u = replace(drawn, first=first, second=second)
        self.position = position
        try:
            return self.truth(air)
        finally:
            self.position, self._u = now, drawn

    def truth(self, air: Air) -> Truth:
        """What is really so at the present setting."""
        conditions = conditions_of(air)
        e, ends, c = self._expected(conditions), self._ends(conditions), idle_cutpoints(self._u)
        targets = self.installation.targets
        rise, idle_rpm, idle = float(e.rise[0, 0]), float(e.idle_rpm[0, 0]), float(ends.idle[0, 0])
        return Truth(
            rise_kelvin=rise,
            lean=float(leanest(ends.full, self._u, self._scales)[0, 0]) < 0.0,
            full_right=targets.rise_kelvin[0] <= rise <= targets.rise_kelvin[1],
            idle_right=float(c.smooth_lean[0, 0]) < idle < float(c.smooth_rich[0, 0]) and self._rise_right(e),
            speed_right=targets.idle_rpm[0] <= idle_rpm <= targets.idle_rpm[1],
            idle_rpm=idle_rpm,
        )

    def _rise_right(self, e: Expected) -> bool:
        """Whether the rise of idle speed is in its band."""
        low, high = self.installation.targets.idle_rise_rpm
        rise = float(e.idle_rise[0, 0])
        return rise <= high and (low <= 0.0 or rise >= low)
