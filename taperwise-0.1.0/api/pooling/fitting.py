"""Stored contributions on their way to a fit of the population."""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

from taperwise.api.pooling.disclosure_control import Behind
from taperwise.api.pooling.tables import Contribution
from taperwise.api.schemas.pool_documents import ContributionDoc
from taperwise.model.population.covariates import columns
from taperwise.model.population.engine_summaries import EngineSummaries
from taperwise.model.population.fitting import Population
from taperwise.model.population.published import enough_owners
from taperwise.model.population.scale import SCALE
from taperwise.model.population.summary import stack_summaries

__all__ = ["Fitter", "document_of", "enterable", "measured_rows", "members_of", "one_per_engine", "with_copies"]

Fitter = Callable[[EngineSummaries], Population]
"""Fits a population; `taperwise.api.pooling.release.real_fitter` is one."""


def one_per_engine(rows: Sequence[Contribution]) -> list[Contribution]:
    """The earliest contribution in our units of every engine: whoever else holds its log adds nothing."""
    earliest: dict[str, Contribution] = {}
    for row in rows:
        if document_of(row).scale == SCALE:
            earliest.setdefault(row.engine, row)
    return list(earliest.values())


def enterable(rows: Sequence[Contribution], floor: int) -> list[Contribution]:
    """Which contributions, one an engine, may enter a version: those whose every trait enough owners share."""
    if not rows:
        return []
    kept = enough_owners(np.stack([_traits(row) for row in rows]), [row.owner for row in rows], floor)
    return [row for row, may in zip(rows, kept, strict=True) if may]


def with_copies(entering: Sequence[Contribution], live: Sequence[Contribution]) -> list[Contribution]:
    """What enters, and what else is of the same engines and has no trait that too few share.

    Owners of those see that it stands behind the version, too: else they would know that somebody else's does.
    """
    engines = {row.engine for row in entering}
    shared = [set(column) for column in np.stack([_traits(row) for row in entering]).T]
    return [
        row for row in live
        if row.engine in engines
        and document_of(row).scale == SCALE
        and all(value in values for value, values in zip(_traits(row), shared, strict=True))
    ]  # fmt: skip


def _traits(row: Contribution) -> NDArray[np.float64]:
    return columns(document_of(row).engine_kind())


def members_of(rows: Sequence[Contribution]) -> dict[str, Behind]:
    """Who stands behind engines; the earliest for each."""
    return {row.engine: Behind(row.owner, row.log) for row in reversed(rows)}


def measured_rows(rows: Sequence[Contribution]) -> EngineSummaries:
    """Stored contributions laid out for the population."""
    documents = [document_of(row) for row in rows]
    return stack_summaries([(d.summary(), d.engine_kind()) for d in documents])


def document_of(row: Contribution) -> ContributionDoc:
    """What a contribution holds, which is not withdrawn."""
    return ContributionDoc.model_validate(row.document)
