"""Publishing a version: who may enter, the guards, the fit, the noise."""

from datetime import datetime
from functools import cache

import numpy as np
from sqlalchemy.orm import Session

from taperwise.api.core.database import Database
from taperwise.api.pooling import repository
from taperwise.api.pooling.disclosure_control import FLOOR, FLOOR_LEAST, disclosure_violation
from taperwise.api.pooling.fitting import (
    Fitter,
    document_of,
    enterable,
    measured_rows,
    members_of,
    one_per_engine,
    with_copies,
)
from taperwise.api.pooling.noise import checked_budget, noisy_sum, spent
from taperwise.api.pooling.service import now_quarter
from taperwise.api.pooling.tables import Contribution
from taperwise.api.schemas.pool_documents import NoiseDoc, PublishedDoc
from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.population.covariates import COVARIATES
from taperwise.model.population.engine_summaries import EngineSummaries
from taperwise.model.population.fitting import Population, PopulationSampler
from taperwise.model.population.predictive_prior import POPULATION_PRIORS
from taperwise.model.population.private_moments import owner_vector, population_of_moments
from taperwise.model.population.published import Published, publish
from taperwise.model.population.scale import SCALE
from taperwise.shared.errors import ConflictError, InvalidValueError

__all__ = ["checked_floor", "real_fitter", "release"]


def checked_floor(floor: int) -> int:
    """A floor that may be used.

    Raises
    ------
    InvalidValueError
        If it is below the least there may be.
    """
    if floor < FLOOR_LEAST:
        raise InvalidValueError(
            f"A published version needs at least {FLOOR_LEAST} owners", field="pool_floor", value=floor,
            cure=f"Set TAPERWISE_POOL_FLOOR to {FLOOR_LEAST} or more ({FLOOR} is usual).",
        )  # fmt: skip
    return floor


@cache
def _sampler() -> PopulationSampler:
    return PopulationSampler(len(POOLED), len(COVARIATES))


def real_fitter(measured: EngineSummaries) -> Population:
    """The population as the model fits it, if that is to be believed.

    Raises
    ------
    NotConvergedError
        If it is not, drawn again with care either.
    """
    return _sampler().trusted(measured, POPULATION_PRIORS, 20_260_101)


def release(
    database: Database, floor: int, now: datetime, fitter: Fitter = real_fitter,
    epsilon: float | None = None, delta: float = 1e-6,
) -> PublishedDoc:  # fmt: skip
    """Publish the next version. No transaction is open while it is fitted, so nobody waits for it.

    Parameters
    ----------
    epsilon, delta : float, optional
        Budget of this version; no noise where epsilon is None.

    Raises
    ------
    ConflictError
        If it would expose somebody: too few owners, or too small a difference from any earlier version. Or if the pool
        changed meanwhile.
    InvalidValueError
        If noise was asked for with a budget that promises nothing, or with too few owners.
    NotConvergedError
        If no fit is to be believed.
    """
    if epsilon is not None:
        checked_budget(epsilon, delta)
    with database.unit() as session:
        entering, rhos = _entering(session, floor), repository.rhos(session)
    rho: float | None = None
    noise: NoiseDoc | None = None
    if epsilon is None:
        population = fitter(measured_rows(entering))
    else:
        population, rho, noise = _noisy(entering, rhos, epsilon, delta)
    document = _published(publish(population), now_quarter(now), noise)
    with database.unit() as session:
        again = _entering(session, floor)
        if [row.id for row in again] != [row.id for row in entering]:
            raise ConflictError(
                "Not published. The pool changed during the calculation", field="pool", cure="Publish again."
            )
        document = document.model_copy(update=_came_and_went(session, again, document))
        behind = with_copies(again, repository.live(session))
        version = repository.publish(session, document.model_dump(mode="json"), rho, behind, now)
        repository.audit(session, "published", now, version=version, count=document.engines)
    return document.model_copy(update={"version": version})


def _published(found: Published, quarter: str, noise: NoiseDoc | None) -> PublishedDoc:
    """The document of a version that has no number yet."""
    return PublishedDoc(
        version=0,
        scale=SCALE,
        quarter=quarter,
        engines=found.engines // 5 * 5,
        method=found.method,
        mean=found.mean.tolist(),
        covariance=found.covariance.tolist(),
        noise=noise,
    )


def _entering(session: Session, floor: int) -> list[Contribution]:
    """The contributions that may enter the next version, unless it would expose somebody."""
    rows = one_per_engine(repository.live(session))
    entering = enterable(rows, floor)
    earlier = [members_of(repository.members(session, v.version)) for v in repository.versions(session)]
    refusal = disclosure_violation(members_of(rows), [], floor) or disclosure_violation(
        members_of(entering), earlier, floor
    )
    if refusal:
        raise ConflictError(
            f"Not published. {refusal}", field="pool", value=f"{len(rows)} engines",
            cure="Wait for more owners, then publish again. A rare kind waits until enough owners share it.",
        )  # fmt: skip
    return entering


def _came_and_went(session: Session, rows: list[Contribution], document: PublishedDoc) -> dict[str, int]:
    """Changes since the version before, in fives; nothing beside noise, which they would undo."""
    before = repository.latest_version(session)
    if document.noise is not None or (before is not None and before.rho is not None):
        return {}
    behind = repository.members(session, before.version) if before is not None else []
    new, old = ({(engine, each.log) for engine, each in members_of(some).items()} for some in (rows, behind))
    return {"came": len(new - old) // 5 * 5, "went": len(old - new) // 5 * 5}


def _noisy(
    rows: list[Contribution], earlier: list[float], epsilon: float, delta: float
) -> tuple[Population, float, NoiseDoc]:
    of: dict[str, list[Contribution]] = {}
    for row in rows:
        of.setdefault(row.owner, []).append(row)
    vectors = [owner_vector([document_of(row).summary() for row in mine]) for mine in of.values()]
    noisy, scale, rho = noisy_sum(np.stack(vectors), epsilon, delta)
    rhos = [*earlier, rho]
    noise = NoiseDoc(epsilon=epsilon, delta=delta, epsilon_so_far=spent(rhos, delta), rho_so_far=sum(rhos), scale=scale)
    return population_of_moments(noisy, scale), rho, noise
