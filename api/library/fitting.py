"""Fit a log, and ask the fit: the next step, what another setting would show, draws, a model for PyMC."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from taperwise.api.exports.netcdf import datatree, netcdf
from taperwise.api.library.log import Log, read_engine, whole_number
from taperwise.api.presentation.suggestion import suggestion_out
from taperwise.api.recommendations.factory import make_recommender
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.recommendation import PredictionOut, SuggestionOut
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.meters import meters

if TYPE_CHECKING:
    from pandas import DataFrame
    from xarray import DataTree

    from taperwise.model.recommender import Learned, Recommender

__all__ = ["Fit", "Recommendation", "fit", "simulate"]


class Recommendation(SuggestionOut):
    """The next step with all that stands behind it; printed, it is what a builder reads, cautions and all."""

    def __str__(self) -> str:
        lines = [self.action.instruction, self.expect, f"Why: {self.why}", *self.warnings, *self.cautions]
        return "\n".join(line for line in lines if line)


@dataclass(frozen=True)
class Fit:
    """What one log taught.

    Parameters
    ----------
    log : Log
    learned : Learned
        Posterior and confidence as the model has them, in SI.
    recommender : Recommender
        What made it.
    """

    log: Log
    learned: "Learned"
    recommender: "Recommender"

    @property
    def converged(self) -> bool:
        """Whether the draws are to be believed."""
        return self.learned.posterior.diagnostics.converged

    def recommend(self) -> Recommendation:
        """The smallest useful step to make next, in the engine's units."""
        found = suggestion_out(self.recommender.suggest(self.learned), self.log.engine.units)
        return Recommendation.model_construct(**dict(found))

    def what_if(
        self, turns: float = 0.0, needle: str | None = None, density_ratio: float | None = None
    ) -> PredictionOut:
        """What a run at another setting should show, in the engine's units.

        Parameters
        ----------
        turns : float
            Turns of the needle holder from here, or from the mark for another needle; positive is richer.
        needle : str, optional
            Another needle.
        density_ratio : float, optional
            Of the air, over the standard's at sea level; that of the latest runs if not given.

        Raises
        ------
        StepLimitError
            If the turns are beyond the engine's largest step.
        UnknownNeedleError
            If the engine has no such needle.
        OutOfRangeError
            If no air is of that density.
        """
        found = self.recommender.what_if(self.learned.posterior, turns, needle, density_ratio)
        return PredictionOut.of(found, self.log.engine.units)

    def predict(self, turns: float = 0.0, needle: str | None = None, density_ratio: float | None = None) -> "DataFrame":
        """Readings of one more run, a row a draw, noise included, in SI; parameters and errors as `what_if`.

        The columns are those of `taperwise.model.prediction.predictive.Outcomes`, and one a meter. A rise below nought
        falls at once. `level` goes from 1, stumbles lean, to 5, loads up rich.
        """
        import numpy as np
        import pandas as pd

        drawn = self.recommender.draws_at(self.learned.posterior, turns, needle, density_ratio)
        columns = drawn._asdict()
        logged = columns.pop("ln_meters")
        metered = {meter.name: np.exp(logged[:, i]) for i, meter in enumerate(meters())}
        return pd.DataFrame({**columns, **metered})

    def to_datatree(self) -> "DataTree":
        """All draws and readings, labelled, with units, in the layout of ArviZ."""
        return datatree(self.learned.posterior)

    def to_netcdf(self, path: str | Path) -> None:
        """The same as a file.

        Raises
        ------
        OSError
            If it cannot be written.
        """
        Path(path).write_bytes(netcdf(self.learned.posterior))

    def pymc_model(self) -> Any:
        """The model of this log as a `pymc.Model`, to read, change and sample with any NUTS."""
        from taperwise.model.checking.readable_model import readable_model

        return readable_model(self.learned.evidence)


@cache
def _recommender() -> "Recommender":
    return make_recommender()


def fit(log: Log, seed: int | None = None, progress: Callable[[str], None] = lambda _: None) -> Fit:
    """Learn from a log.

    The sampler is compiled the first time, about a minute, and kept in the cache folder for later processes.

    Parameters
    ----------
    log : Log
        As `read_log` gives it.
    seed : int, optional
        Same log, seed and versions, same answer; that of the settings if not given.
    progress : callable
        Told in words what is going on, such as `print`.

    Raises
    ------
    InvalidValueError
        If this is no log, or the seed no whole number from 0 on.
    NotConvergedError
        If the sampler broke down.
    """
    if not isinstance(log, Log):
        raise InvalidValueError(
            "this is no log", field="log", value=type(log).__name__, cure="Give what read_log or simulate gave."
        )
    if seed is not None:
        seed = whole_number("seed", seed, 0)
    shared = _recommender()
    shared.prepare(progress)
    recommender = shared
    if seed is not None and seed != shared.seed:
        recommender = make_recommender(seed)
        recommender.sampler = shared.sampler  # compiled once in a process
    return Fit(log, recommender.learn(log.engine.record(), log.records()), recommender)


def simulate(engine: InstallationIn | str | Path | dict[str, Any], runs: int = 6, seed: int = 1) -> Log:
    """An invented log: a virtual engine that is drawn from the model and tuned by the rule of thumb.

    Parameters
    ----------
    engine : InstallationIn, path or mapping
        As for `read_engine`.
    runs : int
    seed : int
        Same seed, same engine and readings.

    Raises
    ------
    InvalidValueError
        If there is less than one run, or the seed is no whole number from 0 on.
    """
    from taperwise.api.files.day import adjustment_body, run_body
    from taperwise.model.simulation.tuned import tuned
    from taperwise.shared.runs import Run

    runs, seed = whole_number("runs", runs, 1), whole_number("seed", seed, 0)
    known = engine if isinstance(engine, InstallationIn) else read_engine(engine)
    made, _ = tuned(known.record(), runs, seed)
    bodies = [run_body(entry) if isinstance(entry, Run) else adjustment_body(entry) for entry in made]
    return Log(known).and_then(*bodies)
