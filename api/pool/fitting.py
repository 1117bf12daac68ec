"""Stored contributions on their way to a fit of the population."""

from collections.abc import Callable, Mapping, Sequence

import numpy as np

from api.pool.tables import Contribution
from api.wire.pool_documents import ContributionDoc
from model.pool.kind import columns
from model.pool.measured import Measured
from model.pool.population_fit import Population
from model.pool.published import enough_owners
from model.pool.scale import SCALE
from model.pool.summary import measured_of

__all__ = ["Fitter", "enterable", "measured_rows", "members_of"]

Fitter = Callable[[Measured], Population]
"""Fits a population; `api.pool.release.real_fitter` is one."""


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


def measured_rows(rows: Sequence[Contribution]) -> Measured:
    """Stored contributions laid out for the population."""
    documents = [ContributionDoc.model_validate(row.document) for row in rows]
    return measured_of([(d.summary(), d.engine_kind()) for d in documents])
