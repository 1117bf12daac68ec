"""Queries for the pool."""

from datetime import datetime
from typing import Any

from sqlalchemy import exists, func, select, update
from sqlalchemy.orm import Session

from taperwise.api.core.database import Answer
from taperwise.api.pooling.log_digest import LogDigest
from taperwise.api.pooling.tables import Audit, Contribution, Member, Version

__all__ = [
    "add",
    "audit",
    "audited",
    "forget_answer",
    "happened_to",
    "latest_version",
    "live",
    "members",
    "of_installation",
    "publish",
    "rhos",
    "set_owner",
    "stands_behind",
    "versions",
    "versions_of",
]  # fmt: skip


def of_installation(session: Session, installation_id: int) -> list[Contribution]:
    """Contributions of an installation, the oldest first."""
    query = select(Contribution).where(Contribution.installation_id == installation_id).order_by(Contribution.id)
    return list(session.scalars(query))


def live(session: Session) -> list[Contribution]:
    """All that are not withdrawn, in order."""
    query = select(Contribution).where(Contribution.withdrawn_at.is_(None)).order_by(Contribution.id)
    return list(session.scalars(query))


def add(
    session: Session, installation_id: int, owner: str, of: LogDigest, document: dict[str, Any], now: datetime
) -> Contribution:
    """Store a contribution."""
    row = Contribution(
        installation_id=installation_id, owner=owner, engine=of.engine, log=of.log, document=document,
        contributed_at=now,
    )  # fmt: skip
    session.add(row)
    session.flush()
    return row


def audit(
    session: Session, what: str, now: datetime, *, contribution: int | None = None, version: int | None = None,
    count: int = 1,
) -> None:  # fmt: skip
    """Write down what happened."""
    session.add(Audit(at=now, what=what, contribution_id=contribution, version=version, count=count))


def audited(session: Session) -> list[Audit]:
    """What happened, in order."""
    return list(session.scalars(select(Audit).order_by(Audit.id)))


def happened_to(session: Session, contributions: set[int]) -> list[Audit]:
    """What happened to these contributions, in order."""
    return list(session.scalars(select(Audit).where(Audit.contribution_id.in_(contributions)).order_by(Audit.id)))


def versions_of(session: Session, contribution_id: int) -> list[int]:
    """Numbers of the versions that a contribution stands behind."""
    query = select(Member.version).where(Member.contribution_id == contribution_id).order_by(Member.version)
    return list(session.scalars(query))


def stands_behind(session: Session, installation_id: int, version: int) -> bool:
    """Whether something that an installation left is in a version."""
    theirs = (Member.contribution_id == Contribution.id) & (Contribution.installation_id == installation_id)
    return bool(session.scalar(select(exists().where(theirs, Member.version == version))))


def set_owner(session: Session, installation_id: int, owner: str) -> None:
    """Whose all is that an installation left."""
    ours = Contribution.installation_id == installation_id
    session.execute(update(Contribution).where(ours).values(owner=owner))


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
    """Delete the stored answer: it was computed under the previous prior."""
    row = session.get(Answer, installation_id)
    if row is not None:
        session.delete(row)
