"""Logs of virtual engines that the rule of thumb tuned, on invented days at an invented field."""

from dataclasses import dataclass

import numpy as np

from taperwise.model.simulation.common_practice import next_adjustment
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import Adjustment, ChangeNeedle, Installation
from taperwise.shared.runs import Air, Run

__all__ = ["FIELD", "Place", "tuned"]


@dataclass(frozen=True)
class Place:
    """A field and the days of a tuning there.

    Parameters
    ----------
    air : Air
        In the middle of them.
    kelvin, pascal : float
        How far temperature and pressure go from it, either way, from run to run.
    dry, damp : float
        Relative humidity from and to [-].
    """

    air: Air
    kelvin: float = 0.0
    pascal: float = 0.0
    dry: float = 0.0
    damp: float = 0.0

    def weather(self, rng: np.random.Generator) -> Air:
        """Air of one run."""
        return Air(
            self.air.temperature_kelvin + rng.uniform(-self.kelvin, self.kelvin),
            self.air.pressure_pascal + rng.uniform(-self.pascal, self.pascal),
            rng.uniform(self.dry, self.damp),
        )


FIELD = Place(Air(291.15, 99_300.0, 0.4), kelvin=5.0, pascal=600.0, dry=0.2, damp=0.7)
"""The field of all logs here."""


def tuned(
    installation: Installation, runs: int, seed: int, *, more: int = 0, instruments: bool = False
) -> tuple[list[Run | Adjustment], list[Run]]:
    """A virtual engine's log of so many runs, adjusted by the rule of thumb, and so many more runs at the last setting.

    Where the rule calls it done, runs are repeated. Needles are changed twice at most: then runs are repeated too.
    """
    engine = VirtualEngine.draw(installation, seed)
    rng = np.random.default_rng([seed, 5])
    log: list[Run | Adjustment] = []
    changes = 0
    for _ in range(runs):
        if log:
            made = next_adjustment(_latest(log), engine.position.needle, installation)
            changes += isinstance(made, ChangeNeedle)
            if made is not None and not (isinstance(made, ChangeNeedle) and changes > 2):
                engine.adjust(made)
                log.append(made)
        log.append(engine.run(FIELD.weather(rng), instruments=instruments))
    return log, [engine.run(FIELD.weather(rng), instruments=instruments) for _ in range(more)]


def _latest(log: list[Run | Adjustment]) -> Run:
    return next(entry for entry in reversed(log) if isinstance(entry, Run))
