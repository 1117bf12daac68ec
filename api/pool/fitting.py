"""Stored contributions on their way to a fit of the population."""

from collections.abc import Callable, Sequence

from api.pool.tables import Contribution
from api.wire.pool_documents import ContributionDoc
from model.pool.measured import Measured
from model.pool.population_fit import Population
from model.pool.summary import measured_of

__all__ = ["Fitter", "measured_rows"]

Fitter = Callable[[Measured], Population]
"""Fits a population; `api.pool.release.real_fitter` is one."""


def measured_rows(rows: Sequence[Contribution]) -> Measured:
    """Stored contributions laid out for the population."""
    documents = [ContributionDoc.model_validate(row.document) for row in rows]
    return measured_of([(d.summary(), d.engine_kind()) for d in documents])
