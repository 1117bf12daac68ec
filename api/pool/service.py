"""What happens when an owner contributes, withdraws, or asks where to start."""

import hashlib
import secrets
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from sqlalchemy.orm import Session

from api.database import Database
from api.installations import storage as installations
from api.log import storage as log_storage
from api.pool import storage
from api.pool.kept_prior import prior_of
from api.pool.tables import Contribution, EnginePriorRow
from api.wire.installation import InstallationIn
from api.wire.pool import AuditOut, ContributionOut, PoolOut, PriorOut, RestsOut
from api.wire.pool_documents import ContributionDoc, PublishedDoc, contribution_of, digest, quarter_of
from model import MODEL_VERSION
from model.learning.engine_prior import EnginePrior
from model.pool.kind import kind_of
from model.pool.measured import Measured
from model.pool.population_fit import Population
from model.pool.published import population_of, publish
from model.pool.served_prior import EXPERT_SERVED, Served, serve
from model.pool.summary import Summary, measured_of
from shared.errors import ConflictError, NotFoundError
from shared.records import Installation

__all__ = [
    "Fitter", "adopt", "contribute", "left_by", "like_it", "measured_rows", "now_quarter", "owner_hash", "prior_out",
    "shown", "state_of", "withdraw", "withdraw_live",
]  # fmt: skip

Fitter = Callable[[Measured], Population]
"""Fits a population; `api.pool.release.real_fitter` is one."""


def owner_hash(token: str) -> str:
    """What stands for an owner: a hash, so that the token itself stays with its owner."""
    return hashlib.sha256(token.encode()).hexdigest()


def now_quarter(now: datetime) -> str:
    """The quarter it is."""
    return quarter_of(now.year, now.month)


def measured_rows(rows: Sequence[Contribution]) -> Measured:
    """Stored contributions laid out for the population."""
    documents = [ContributionDoc.model_validate(row.document) for row in rows]
    return measured_of([(d.summary(), d.engine_kind()) for d in documents])


def _owner(session: Session, installation_id: int, given: str | None) -> str:
    """The installation's owner token: as given, as kept, or a new one."""
    row = storage.prior_row(session, installation_id)
    token = given or (row.owner if row is not None else secrets.token_hex(16))
    storage.put_prior(session, installation_id, token, row.version if row else None, row.document if row else None)
    return token


def contribute(session: Session, installation_id: int, summary: Summary, given: str | None) -> ContributionOut:
    """Keep what an engine leaves; what it left before is withdrawn.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    ConflictError
        If the very same is there already.
    """
    sent = InstallationIn.model_validate(installations.get(session, installation_id, lock=True).document)
    now = datetime.now(UTC)
    document = contribution_of(summary, kind_of(sent.record()), MODEL_VERSION, now_quarter(now))
    plain = document.model_dump(mode="json")
    name = digest(plain)
    if storage.of_digest(session, name) is not None:
        raise ConflictError(
            "this very contribution was made before", field="consent", value=name[:12],
            cure="Make another run first, then contribute again.",
        )  # fmt: skip
    token = _owner(session, installation_id, given)
    withdraw_live(session, installation_id, now)
    row = storage.add(session, installation_id, owner_hash(token), name, plain, now)
    storage.audit(session, "contributed", now, digest=name)
    return _outward(session, row, token)


def withdraw(session: Session, installation_id: int) -> ContributionOut:
    """Take a contribution back: it is deleted here and stands behind no version published from now on.

    Raises
    ------
    NotFoundError
        If there is none to withdraw.
    """
    installations.get(session, installation_id, lock=True)
    if not withdraw_live(session, installation_id, datetime.now(UTC)):
        raise _nothing(installation_id)
    return shown(session, installation_id)


def withdraw_live(session: Session, installation_id: int, now: datetime) -> int:
    """Withdraw whatever an installation has in the pool; how many that were."""
    live = [row for row in storage.of_installation(session, installation_id) if row.withdrawn_at is None]
    for row in live:
        row.withdrawn_at, row.document = now, None
        storage.audit(session, "withdrawn", now, digest=row.digest)
    session.flush()
    return len(live)


def _nothing(installation_id: int) -> NotFoundError:
    return NotFoundError(
        "this engine has left nothing in the pool", field="installation_id", value=installation_id,
        cure="Contribute first.",
    )  # fmt: skip


def shown(session: Session, installation_id: int) -> ContributionOut:
    """The latest contribution of an installation.

    Raises
    ------
    NotFoundError
        If there was none.
    """
    installations.get(session, installation_id)
    rows = storage.of_installation(session, installation_id)
    kept = storage.prior_row(session, installation_id)
    if not rows or kept is None:
        raise _nothing(installation_id)
    return _outward(session, rows[-1], kept.owner)


def left_by(session: Session, installation_id: int) -> ContributionOut | None:
    """What an installation left last; None if it left nothing yet."""
    try:
        return shown(session, installation_id)
    except NotFoundError:
        return None


def _outward(session: Session, row: Contribution, token: str) -> ContributionOut:
    behind = [v.version for v in storage.versions(session) if row in storage.members(session, v.version)]
    return ContributionOut(
        owner=token,
        digest=row.digest,
        withdrawn=row.withdrawn_at is not None,
        contribution=None if row.document is None else ContributionDoc.model_validate(row.document),
        in_versions=behind,
    )


def state_of(session: Session, floor: int) -> PoolOut:
    """The pool as anyone may see it."""
    published = storage.versions(session)
    return PoolOut(
        floor=floor,
        latest=PublishedDoc.model_validate(published[-1].document) if published else None,
        versions=[v.version for v in published],
        audit=[
            AuditOut.model_validate(
                {
                    "quarter": now_quarter(a.at), "what": a.what, "version": a.version, "count": a.count,
                }
            )
            for a in storage.audited(session)
        ],
    )  # fmt: skip


def adopt(
    database: Database, installation_id: int, wanted: str, given: str | None, floor: int, fitter: Fitter
) -> PriorOut:
    """Choose the prior an installation starts from; it stays the same from then on.

    No transaction is open while the pool is fitted without the owner's engines.

    Raises
    ------
    ConflictError
        If something was recorded already.
    """
    with database.unit() as session:
        installation = _not_begun(session, installation_id, wanted)
        token = _owner(session, installation_id, given)
        basis = _Basis("as asked for") if wanted != "pool" else _from_pool(session, owner_hash(token), floor)
    # rounded as a version is: what is served is never finer than what is published
    population = basis.population if basis.others is None else population_of(publish(fitter(basis.others)))
    served = EXPERT_SERVED if population is None else serve(population, kind_of(installation))
    document = _prior_document(served, basis.why, basis.version, basis.quarter)
    with database.unit() as session:
        _not_begun(session, installation_id, wanted)
        storage.put_prior(session, installation_id, token, basis.version, document)
        storage.forget_answer(session, installation_id)
    return prior_out(document)


def _not_begun(session: Session, installation_id: int, wanted: str) -> Installation:
    sent = InstallationIn.model_validate(installations.get(session, installation_id, lock=True).document)
    if log_storage.last_sequence(session, installation_id):
        raise ConflictError(
            "the prior is chosen before the first entry", field="prior", value=wanted,
            cure="Set up the installation anew to start from another prior.",
        )  # fmt: skip
    return sent.record()


@dataclass(frozen=True)
class _Basis:
    """What a prior rests on: a population, or `others` to fit one to; the expert's word where there is neither."""

    why: str
    version: int | None = None
    quarter: str | None = None
    population: Population | None = None
    others: Measured | None = None


def _from_pool(session: Session, owner: str, floor: int) -> _Basis:
    latest = storage.latest_version(session)
    if latest is None:
        return _Basis("nothing is published from the pool yet")
    document = PublishedDoc.model_validate(latest.document)
    rows = storage.members(session, latest.version)
    if not any(row.owner == owner for row in rows):
        population = population_of(document.published())
        return _Basis("the latest published version", latest.version, document.quarter, population)
    if document.noise is not None:
        return _Basis("your own engines are in it and cannot be taken out of a noisy version")
    others = [row for row in rows if row.owner != owner and row.document is not None]
    if len({row.owner for row in others}) < floor:
        return _Basis("too few other owners are in it")
    why = "the latest published version, your own engines left out"
    return _Basis(why, latest.version, document.quarter, others=measured_rows(others))


def like_it(session: Session, installation: Installation, row: EnginePriorRow | None) -> tuple[EnginePrior | None, str]:
    """What the pool says of engines like this one, for comparing; None with the reason where it says nothing.

    The prior it started from where that was the pool's, else the latest version, unless its own owner is in it.
    """
    if row is not None and row.version is not None:
        return prior_of(row), f"version {row.version}, which it started from"
    basis = _from_pool(session, "" if row is None else owner_hash(row.owner), 1)
    if basis.population is None:
        return None, basis.why if basis.others is None else "your own engines are in the latest version"
    return serve(basis.population, kind_of(installation)).prior, f"version {basis.version} of the pool"


def _prior_document(served: Served, why: str, version: int | None, quarter: str | None) -> dict[str, Any]:
    rests = served.rests
    return {
        "centre": list(served.prior.centre),
        "root": [list(row) for row in served.prior.root],
        "odd": served.prior.odd,
        "why": why,
        "rests": {
            "engines": rests.engines,
            "similar": round(rests.similar, 2),
            "spread_full": round(rests.narrower_full, 3),
            "spread_idle": round(rests.narrower_idle, 3),
            "version": version,
            "quarter": quarter,
        },
    }


def prior_out(document: dict[str, Any] | None) -> PriorOut:
    """A prior as it is shown."""
    kept = document or _prior_document(EXPERT_SERVED, "nothing else was asked for", None, None)
    rests = RestsOut.model_validate(kept["rests"])
    return PriorOut(prior="expert" if rests.version is None else "pool", why=kept["why"], rests=rests)
