"""Queries for the pool."""

from contextlib import suppress
from datetime import datetime
from typing import Any

from sqlalchemy import func, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from taperwise.api.core.database import Answer
from taperwise.api.installations.prior import EnginePriorRow
from taperwise.api.pooling.tables import Audit, Contribution, Elsewhere, LeftOut, Member, Version

__all__ = [
    "add",
    "all_digests",
    "audit",
    "audited",
    "elsewhere",
    "forget_answer",
    "happened_to",
    "keep_elsewhere",
    "keep_left_out",
    "latest_version",
    "left_out",
    "live",
    "members",
    "of_digest",
    "of_installation",
    "publish",
    "rhos",
    "set_owner",
    "set_owner_elsewhere",
    "versions",
    "versions_of",
    "withdrawn_digests",
]  # fmt: skip


def of_installation(session: Session, installation_id: int) -> list[Contribution]:
    """Contributions of an installation, the oldest first."""
    query = select(Contribution).where(Contribution.installation_id == installation_id).order_by(Contribution.id)
    return list(session.scalars(query))


def of_digest(session: Session, digest: str) -> Contribution | None:
    """The contribution with that digest."""
    return session.scalars(select(Contribution).where(Contribution.digest == digest)).one_or_none()


def live(session: Session) -> list[Contribution]:
    """All that are not withdrawn, in order."""
    query = select(Contribution).where(Contribution.withdrawn_at.is_(None)).order_by(Contribution.id)
    return list(session.scalars(query))


def withdrawn_digests(session: Session) -> list[str]:
    """Digests of all that were withdrawn."""
    query = select(Contribution.digest).where(Contribution.withdrawn_at.is_not(None)).order_by(Contribution.digest)
    return list(session.scalars(query))


def all_digests(session: Session) -> set[str]:
    """Digests of all there ever were."""
    return set(session.scalars(select(Contribution.digest)))


def add(
    session: Session, installation_id: int | None, owner: str, digest: str, document: dict[str, Any] | None,
    now: datetime, withdrawn: datetime | None = None,
) -> Contribution:  # fmt: skip
    """Store a contribution."""
    row = Contribution(
        installation_id=installation_id, owner=owner, digest=digest, document=document, contributed_at=now,
        withdrawn_at=withdrawn,
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row


def audit(
    session: Session, what: str, now: datetime, *, digest: str | None = None, version: int | None = None, count: int = 1
) -> None:
    """Write down what happened."""
    session.add(Audit(at=now, what=what, digest=digest, version=version, count=count))


def audited(session: Session) -> list[Audit]:
    """What happened, in order."""
    return list(session.scalars(select(Audit).order_by(Audit.id)))


def happened_to(session: Session, digests: set[str]) -> list[Audit]:
    """What happened to these contributions, in order."""
    return list(session.scalars(select(Audit).where(Audit.digest.in_(digests)).order_by(Audit.id)))


def versions_of(session: Session, contribution_id: int) -> list[int]:
    """Numbers of the versions that a contribution stands behind."""
    query = select(Member.version).where(Member.contribution_id == contribution_id).order_by(Member.version)
    return list(session.scalars(query))


def left_out(session: Session, version: int, without: str) -> dict[str, Any] | None:
    """A version without some engines, where it was worked out before."""
    row = session.get(LeftOut, (version, without))
    return None if row is None else row.document


def keep_left_out(session: Session, version: int, without: str, document: dict[str, Any]) -> None:
    """Keep it, so that it stays the same whatever others do; what was kept first holds."""
    with suppress(IntegrityError), session.begin_nested():
        session.add(LeftOut(version=version, without=without, document=document))


def elsewhere(session: Session) -> list[dict[str, str]]:
    """What other services published or may publish: each a contribution's digest to its owner."""
    return list(session.scalars(select(Elsewhere.members).order_by(Elsewhere.id)))


def keep_elsewhere(session: Session, members: dict[str, str]) -> bool:
    """Remember what another service may publish; whether that was new."""
    new = bool(members) and members not in elsewhere(session)
    if new:
        session.add(Elsewhere(members=members))
        session.flush()
    return new


def set_owner(session: Session, installation_id: int, token: str, hashed: str) -> None:
    """Whose an installation is to the pool, and all that it left."""
    ours = Contribution.installation_id == installation_id
    session.execute(update(Contribution).where(ours).values(owner=hashed))
    prior = EnginePriorRow.installation_id == installation_id
    session.execute(update(EnginePriorRow).where(prior).values(owner=token))


def set_owner_elsewhere(session: Session, digest: str, hashed: str) -> None:
    """Whose a contribution is that came from another service; those made here are left as they are."""
    theirs = (Contribution.digest == digest) & Contribution.installation_id.is_(None)
    live = Contribution.withdrawn_at.is_(None)
    session.execute(update(Contribution).where(theirs & live).values(owner=hashed))


def versions(session: Session) -> list[Version]:
    """Published versions, the oldest first."""
    return list(session.scalars(select(Version).order_by(Version.version)))


def latest_version(session: Session) -> Version | None:
    """The latest of them."""
    return session.scalars(select(Version).order_by(Version.version.desc()).limit(1)).one_or_none()


def rhos(session: Session) -> list[float]:
    """What the noisy versions cost of the budget."""
    return list(session.scalars(select(Version.rho).where(Version.rho.is_not(None))))


def members(session: Session, version: int) -> list[Contribution]:
    """Contributions behind a version."""
    query = (
        select(Contribution)
        .join(Member, Member.contribution_id == Contribution.id)
        .where(Member.version == version)
        .order_by(Contribution.id)
    )
    return list(session.scalars(query))


def publish(
    session: Session, document: dict[str, Any], rho: float | None, rows: list[Contribution], now: datetime
) -> int:
    """Store the next version and who stands behind it; the version."""
    version = (session.scalar(select(func.max(Version.version))) or 0) + 1
    session.add(Version(version=version, published_at=now, rho=rho, document={**document, "version": version}))
    session.flush()
    session.add_all(Member(version=version, contribution_id=row.id) for row in rows)
    return version


def forget_answer(session: Session, installation_id: int) -> None:
    """The kept answer was made from another prior."""
    row = session.get(Answer, installation_id)
    if row is not None:
        session.delete(row)
