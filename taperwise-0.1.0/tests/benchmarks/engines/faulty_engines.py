"""Virtual engines in which something goes wrong at a known run, for the fault bench. Sizes are judgement."""

from dataclasses import replace

import numpy as np

from taperwise.model.inference.likelihood import Expected
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics.air import Conditions
from taperwise.model.physics.mixture import Ends
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import Adjustment, ChangeNeedle, Installation, TurnScrew
from taperwise.shared.runs import Air, Run

__all__ = ["FAULTS", "FaultyEngine", "draw_faulty"]

_MARK_OFF_M = 1.5e-3

FAULTS: dict[str, str] = {
    "turn_wrong_way": "a turn of a quarter or an eighth made the other way than recorded",
    "turn_not_made": "a turn recorded that was not made",
    "mark_set_wrong": "a needle fitted with its mark 1.5 mm off",
    "fuel_flow_limit": "no richer at full throttle than a little above peak, whatever is turned",
    "induction_leak": "leaner by a quarter at idle, hardly so at full throttle",
    "part_changed": "leaner by a sixth at both ends, nothing recorded",
    "probe": "the rise reads half of what it is",
    "weather": "air a fifth thinner than what was recorded",
}
"""Faults that can be injected, each with what it does."""


class FaultyEngine(VirtualEngine):
    """An engine with a fault from a run on: a given one, the first turn before it or later, or the next needle fitted.

    Attributes
    ----------
    fault : str
        One of `FAULTS`, or empty.
    earliest : int
        First run that can show it.
    onset : int or None
        Number of the first run that shows the fault; None as long as there was none.
    """

    fault: str = ""
    earliest: int = 3
    onset: int | None = None
    runs: int = 0

    @property
    def _there(self) -> bool:
        return self.onset is not None and self.runs >= self.onset

    def adjust(self, adjustment: Adjustment) -> None:
        """As a sound engine, but for what the fault does to it."""
        late = self.runs >= self.earliest - 1 and self.onset is None
        if late and self.fault == "mark_set_wrong" and isinstance(adjustment, ChangeNeedle):
            self.onset = self.runs + 1
            super().adjust(adjustment)  # as recorded; the needle itself stands elsewhere, however far
            shift = _MARK_OFF_M / self.installation.throttle_body.screw_pitch_m
            self.position = replace(self.position, turns=self.position.turns + shift)
            return
        if late and isinstance(adjustment, TurnScrew) and self.fault in ("turn_wrong_way", "turn_not_made"):
            self.onset = self.runs + 1
            adjustment = TurnScrew(-adjustment.turns if self.fault == "turn_wrong_way" else 0.0)
        super().adjust(adjustment)

    def run(self, air: Air, *, idle_rise: bool = True, speeds: bool = True, instruments: bool = False) -> Run:
        """As a sound engine; what is recorded of the air is what was asked for, whatever it is."""
        self.runs += 1
        of_a_run = ("fuel_flow_limit", "induction_leak", "part_changed", "probe", "weather")
        if self.fault in of_a_run and self.onset is None and self.runs >= self.earliest:
            self.onset = self.runs
        run = super().run(self._true_air(air), idle_rise=idle_rise, speeds=speeds, instruments=instruments)
        return replace(run, air=air)

    def _true_air(self, air: Air) -> Air:
        thin = self._there and self.fault == "weather"
        return Air(air.temperature_kelvin, 0.8 * air.pressure_pascal, air.relative_humidity) if thin else air

    def _ends(self, conditions: Conditions) -> Ends:
        ends = super()._ends(conditions)
        if not self._there:
            return ends
        if self.fault == "induction_leak":
            return Ends(ends.full - 0.02, ends.idle - 0.25, ends.opening)
        if self.fault == "part_changed":
            return Ends(ends.full - 0.16, ends.idle - 0.16, ends.opening)
        if self.fault == "fuel_flow_limit":
            return Ends(np.minimum(ends.full, 0.02), ends.idle, ends.opening)
        return ends

    def _rise_reading(self, e: Expected, conditions: Conditions) -> float:
        half = 0.5 if self._there and self.fault == "probe" else 1.0
        return super()._rise_reading(replace(e, rise=half * e.rise), conditions)


def draw_faulty(fault: str, installation: Installation, seed: int) -> FaultyEngine:
    """An engine drawn from the prior with that fault from its second, third or fourth run on; an empty name gives a
    healthy one.

    Raises
    ------
    KeyError
        If there is no such fault.
    """
    rng = np.random.default_rng([seed, 1])
    engine = FaultyEngine(installation, draw_unknowns(installation, rng), rng)
    engine.earliest = 2 + seed % 3
    if fault:
        FAULTS[fault]
        engine.fault = fault
    return engine
