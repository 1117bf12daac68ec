"""Stored contributions on their way to a fit of the population."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from taperwise.api.pooling.tables import Contribution
from taperwise.api.schemas.pool_documents import ContributionDoc
from taperwise.model.population.covariates import columns
from taperwise.model.population.engine_summaries import EngineSummaries
from taperwise.model.population.fitting import Population
from taperwise.model.population.published import enough_owners
from taperwise.model.population.scale import SCALE
from taperwise.model.population.summary import stack_summaries

__all__ = ["Fitter", "enterable", "measured_rows", "members_of"]

Fitter = Callable[[EngineSummaries], Population]
"""Fits a population; `taperwise.api.pooling.release.real_fitter` is one."""


def enterable(documents: Mapping[str, ContributionDoc], owners: Mapping[str, str], floor: int) -> dict[str, str]:
    """Which contributions may enter a version: those in our units whose every trait enough owners share.

    Parameters
    ----------
    documents : mapping of str to ContributionDoc
        By digest.
    owners : mapping of str to str
        Of each of them.
    floor : int

    Returns
    -------
    dict of str to str
        Digests, in order, to owners.
    """
    ours = [name for name, document in documents.items() if document.scale == SCALE]
    if not ours:
        return {}
    traits = np.stack([columns(documents[name].engine_kind()) for name in ours])
    kept = enough_owners(traits, [owners[name] for name in ours], floor)
    return {name: owners[name] for name, may in zip(ours, kept, strict=True) if may}


def members_of(rows: Sequence[Contribution]) -> dict[str, str]:
    """Digests of contributions to their owners."""
    return {row.digest: row.owner for row in rows}


def measured_rows(rows: Sequence[Contribution]) -> EngineSummaries:
    """Stored contributions laid out for the population."""
    documents = [ContributionDoc.model_validate(row.document) for row in rows]
    return stack_summaries([(d.summary(), d.engine_kind()) for d in documents])
