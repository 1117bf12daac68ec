"""What the pictures are drawn from: the posterior, and every run held against what was known before it."""

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy.exc import SQLAlchemyError

from taperwise.api.core.database import Database
from taperwise.api.core.storage_failures import is_disk_full
from taperwise.api.installations import repository as installations
from taperwise.api.log import service
from taperwise.api.recommendations import repository
from taperwise.api.recommendations.service import RecommendationService
from taperwise.model.inference import dataset
from taperwise.model.inference.earlier_fits import key_of
from taperwise.model.inference.posterior_cache import Log
from taperwise.model.prediction import chart_data
from taperwise.shared.recommendation import Holding, Prediction
from taperwise.shared.runs import Run

__all__ = ["ChartData", "LookedBack", "Portraits"]


@dataclass(frozen=True)
class LookedBack:
    """A run, what was foretold of it (None where that cannot be told), and the chances after it.

    `chances` are named as `taperwise.model.inference.earlier_fits.CHANCES` names them.
    """

    number: int
    run: Run
    foretold: Prediction | None
    chances: Mapping[str, float]


@dataclass(frozen=True)
class Portraits:
    """All that the pictures of one log show, in SI."""

    around: chart_data.Around
    along: chart_data.Along
    holding: Holding
    runs: tuple[LookedBack, ...]
    converged: bool


class ChartData:
    """Makes portraits, from the fits that were kept with the answers; those that are missing are made, and kept.

    Parameters
    ----------
    desk : RecommendationService
    database : Database
    """

    def __init__(self, desk: RecommendationService, database: Database) -> None:
        self._desk, self._database = desk, database

    def portraits(self, log: service.Log) -> Portraits:
        """The portraits of a log; takes half a second more for each run whose fit is not kept.

        Raises
        ------
        NotReadyError
            If the sampler is still being compiled.
        """
        posterior = self._desk.posterior(log)
        return Portraits(
            around=chart_data.around_the_target(posterior),
            along=chart_data.along_the_travel(posterior),
            holding=self._desk.will_it_hold(log, trusted=False),
            runs=self.looked_back(log),
            converged=posterior.diagnostics.converged,
        )

    def looked_back(self, log: service.Log) -> tuple[LookedBack, ...]:
        """Every run of a log, in order."""
        ends = [0, *(i + 1 for i, entry in enumerate(log.entries) if isinstance(entry, Run))]
        parts = [Log(log.installation, log.entries[:end], log.prior) for end in ends]
        with self._database.reading() as session:
            keys = [key_of(part, self._desk.seed) for part in parts]
            kept = repository.earlier_fits(session, log.installation_id, keys)
        fits = [self._desk.look_back(log, end, kept) for end in ends]
        made = {key: content for fit in fits for key, content in fit.to_keep.items()}
        if made:
            self._keep(log.installation_id, made, keys)
        found = []
        for number, (before, after, end) in enumerate(zip(fits, fits[1:], ends[1:], strict=False), start=1):
            run = log.entries[end - 1]
            assert isinstance(run, Run)  # noqa: S101 - narrows what the ends were chosen by
            position = dataset.replay(log.installation, log.entries[: end - 1])[0]
            trusted = before.posterior.diagnostics.converged
            told = chart_data.foretold(before.posterior, position, run) if trusted else None
            found.append(LookedBack(number, run, told, after.chances))
        return tuple(found)

    def _keep(self, installation_id: int, made: Mapping[str, bytes], keys: list[str]) -> None:
        try:
            with self._database.unit() as session:
                installations.get(session, installation_id, lock=True)
                repository.keep_earlier_fits(session, installation_id, made, keys, most=2 * len(keys) + 10)
        except SQLAlchemyError as error:
            if not is_disk_full(error):  # they are only made again the next time
                raise
