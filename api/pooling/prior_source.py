"""What an installation's prior may rest on: the latest version, if need be without the owner's own engines."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

from sqlalchemy.orm import Session

from taperwise.api.pooling import repository
from taperwise.api.pooling.fitting import Fitter, measured_rows
from taperwise.api.pooling.pseudonyms import known_owner, owner_hash
from taperwise.api.pooling.tables import Contribution
from taperwise.api.schemas.pool_documents import PublishedDoc
from taperwise.model.population.engine_summaries import EngineSummaries
from taperwise.model.population.fitting import Population
from taperwise.model.population.published import Published, enough_owners, population_of, publish
from taperwise.model.population.scale import SCALE

__all__ = ["Basis", "basis_of", "published_basis"]


@dataclass(frozen=True)
class Basis:
    """What a prior rests on: a population, or `others` to fit one to; the expert's word where there is neither.

    Parameters
    ----------
    why : str
    version : int, optional
    quarter : str, optional
    population : Population, optional
    others : Measured, optional
        What others left, where the version has to be fitted without the owner's.
    without : str
        Stands for the engines that are left out then.
    made : PublishedDoc, optional
        What came of that, to be kept.
    """

    why: str
    version: int | None = None
    quarter: str | None = None
    population: Population | None = None
    others: EngineSummaries | None = None
    without: str = ""
    made: PublishedDoc | None = None

    def fitted(self, others: EngineSummaries, fitter: Fitter) -> "Basis":
        """With the population of the others, rounded as a version is: never finer than what is published."""
        found = publish(fitter(others))
        made = document_of(found, self.version or 0, self.quarter or "")
        return replace(self, others=None, population=population_of(made.published()), made=made)

    def keep(self, session: Session) -> None:
        """Keep what was fitted: asked again, it is the same."""
        if self.made is not None and self.version is not None:
            repository.keep_left_out(session, self.version, self.without, self.made.model_dump(mode="json"))


def document_of(found: Published, version: int, quarter: str) -> PublishedDoc:
    """A version's document, without noise."""
    return PublishedDoc(
        version=version,
        scale=SCALE,
        quarter=quarter,
        engines=found.engines // 5 * 5,
        method=found.method,
        mean=found.mean.tolist(),
        covariance=found.covariance.tolist(),
    )


def published_basis(session: Session, installation_id: int) -> Basis:
    """The latest version as it is published, unless the owner's own engines are in it."""
    latest, mine, _ = _latest(session, installation_id)
    if latest is None:
        return Basis("nothing is published from the pool yet")
    if latest.scale != SCALE:
        return Basis("the latest version is in units of another release")
    if mine:
        return Basis("your own engines are in the latest version")
    return Basis("the latest published version", latest.version, latest.quarter, population_of(latest.published()))


def basis_of(session: Session, installation_id: int, floor: int) -> Basis:
    """The latest version; without the owner's own engines where they are in it and leaving them out exposes nobody.

    Whoever has a version and the same without their own engines sees nothing new. After others withdrew they would
    see what those had left, and where few share a trait, what those few left; so there is neither.
    """
    latest, mine, others = _latest(session, installation_id)
    if latest is None or latest.scale != SCALE or not mine:
        return published_basis(session, installation_id)
    if latest.noise is not None:
        return Basis("your own engines are in it and cannot be taken out of a noisy version")
    without = owner_hash(" ".join(str(row.id) for row in mine))
    basis = Basis("the latest published version, your own engines left out", latest.version, latest.quarter)
    kept = repository.left_out(session, latest.version, without)
    if kept is not None:
        return replace(basis, population=population_of(PublishedDoc.model_validate(kept).published()))
    measured = None if any(row.document is None for row in others) or not others else measured_rows(others)
    if measured is None or not enough_owners(measured.covariates, [row.owner for row in others], floor).all():
        return Basis("your own engines are in it and cannot be left out before the next version")
    return replace(basis, others=measured, without=without)


def _latest(
    session: Session, installation_id: int
) -> tuple[PublishedDoc | None, Sequence[Contribution], Sequence[Contribution]]:
    """The latest version, and who stands behind it: the owner of an installation, and others."""
    row = repository.latest_version(session)
    if row is None:
        return None, [], []
    owner, behind = known_owner(session, installation_id), repository.members(session, row.version)
    mine = [each for each in behind if each.owner == owner]
    return PublishedDoc.model_validate(row.document), mine, [each for each in behind if each.owner != owner]
