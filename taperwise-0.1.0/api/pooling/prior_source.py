"""What an installation's prior may rest on: the latest version, unless the installation itself stands behind it."""

from typing import NamedTuple

from sqlalchemy.orm import Session

from taperwise.api.pooling import repository
from taperwise.api.schemas.pool_documents import PublishedDoc
from taperwise.model.population.fitting import Population
from taperwise.model.population.published import population_of
from taperwise.model.population.scale import SCALE

__all__ = ["Basis", "basis_of"]


class Basis(NamedTuple):
    """What a prior rests on, and why; the expert's word where there is no population.

    Parameters
    ----------
    own : bool
        Whether the engine's own summary is in the latest version.
    """

    why: str
    version: int | None = None
    quarter: str | None = None
    population: Population | None = None
    own: bool = False


def basis_of(session: Session, installation_id: int) -> Basis:
    """The latest version. Other engines of the same owner may be in it, the engine's own summary may not."""
    row = repository.latest_version(session)
    if row is None:
        return Basis("the pool has no published version yet")
    latest = PublishedDoc.model_validate(row.document)
    if latest.scale != SCALE:
        return Basis("the latest version is in units of another release")
    if repository.stands_behind(session, installation_id, latest.version):
        return Basis("this engine's own summary is in the latest version", own=True)
    return Basis("the latest published version", latest.version, latest.quarter, population_of(latest.published()))
