"""A pool on its way from one service to another: exported, checked, merged."""

import json
from datetime import datetime
from pathlib import Path
from typing import Any, NamedTuple

from pydantic import ValidationError
from sqlalchemy.orm import Session

from taperwise.api.installations.prior import in_our_scale
from taperwise.api.pooling import repository
from taperwise.api.pooling.fitting import enterable, members_of
from taperwise.api.schemas.pool_documents import SCHEMA_VERSION, ContributionDoc, ExportDoc, Exported, checksum, digest
from taperwise.shared.errors import ConflictError, InvalidValueError

__all__ = ["Merged", "export", "merge", "read"]


class Merged(NamedTuple):
    """What became of a file.

    Parameters
    ----------
    taken : int
        Contributions taken in.
    refused : int
        Those that are or were here already.
    withdrawn : int
        Those that came from elsewhere and were withdrawn there.
    kept : int
        Those contributed here that the file calls withdrawn: only their owners can do that.
    """

    taken: int
    refused: int
    withdrawn: int
    kept: int


def export(session: Session, floor: int) -> ExportDoc:
    """All contributions that are not withdrawn, ordered by digest so that the order tells nothing.

    What another service may publish of them is remembered.

    Raises
    ------
    ConflictError
        If fewer than `floor` distinct owners stand behind it.
    """
    live = [row for row in repository.live(session) if in_our_scale(row.document)]
    rows = sorted(live, key=lambda row: row.digest)
    owners = len({row.owner for row in rows})
    if owners < floor:
        raise ConflictError(
            f"{owners} distinct owners stand behind the pool; nothing leaves it below {floor}", field="pool",
            value=f"{len(rows)} contributions", cure="Wait for more owners.",
        )  # fmt: skip
    documents = {row.digest: ContributionDoc.model_validate(row.document) for row in rows}
    whole = ExportDoc(
        contributions=[Exported(owner=row.owner, contribution=documents[row.digest]) for row in rows],
        withdrawn=repository.withdrawn_digests(session),
        published=[members_of(repository.members(session, v.version)) for v in repository.versions(session)],
        checksum="0" * 64,
    )
    repository.keep_elsewhere(session, enterable(documents, members_of(rows), floor))
    return whole.model_copy(update={"checksum": checksum(whole.model_dump(mode="json"))})


def read(path: Path) -> ExportDoc:
    """Read an export and check it.

    Raises
    ------
    InvalidValueError
        If it cannot be read, is of a future version, or was changed after it was made.
    """
    try:
        raw: Any = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _unreadable(path, str(error).splitlines()[0]) from error
    if not isinstance(raw, dict):
        raise _unreadable(path, "it is no object")
    version = raw.get("schema_version")
    if isinstance(version, int) and version > SCHEMA_VERSION:
        raise InvalidValueError(
            f"the pool was written by a newer release (schema {version}, known is {SCHEMA_VERSION})",
            field="schema_version", value=version, cure="Install the newer release.",
        )  # fmt: skip
    if raw.get("checksum") != _checksum(path, raw):
        raise InvalidValueError(
            "the checksum does not fit: the file was changed or cut short after it was made", field="checksum",
            value=str(raw.get("checksum"))[:12], cure="Have it exported and sent again.",
        )  # fmt: skip
    try:
        document = ExportDoc.model_validate(raw)
        for each in document.contributions:
            each.contribution.summary()
    except (ValidationError, ValueError) as error:
        raise _unreadable(path, str(error).splitlines()[0]) from error
    return document


def _checksum(path: Path, raw: dict[str, Any]) -> str:
    try:
        return checksum(raw)
    except ValueError as error:
        raise _unreadable(path, "it holds a number that is none") from error


def _unreadable(path: Path, why: str) -> InvalidValueError:
    return InvalidValueError(
        f"the pool cannot be read: {why}", field="file", value=path.name,
        cure="Give a file that `taperwise pool export` made.",
    )  # fmt: skip


def merge(session: Session, document: ExportDoc, now: datetime, floor: int) -> Merged:
    """Take in another service's pool; what it published, or may publish, is remembered.

    Whose an engine is that came from elsewhere is as the latest file says.

    Raises
    ------
    ConflictError
        If the file brings nothing new.
    """
    known = repository.all_digests(session)
    taken, withdrawn, kept = 0, 0, 0
    there = {digest(each.contribution.model_dump(mode="json")): each for each in document.contributions}
    for name, each in there.items():
        if name in known or name in document.withdrawn:
            repository.set_owner_elsewhere(session, name, each.owner)
            continue
        repository.add(session, None, each.owner, name, each.contribution.model_dump(mode="json"), now)
        taken += 1
    refused = len(document.contributions) - taken
    for name in document.withdrawn:
        row = repository.of_digest(session, name)
        if row is not None and row.withdrawn_at is None and row.installation_id is not None:
            kept += 1
        elif row is not None and row.withdrawn_at is None:
            row.withdrawn_at, row.document = now, None
            repository.audit(session, "withdrawn", now, digest=name)
            withdrawn += 1
        elif row is None:  # so that an older export cannot bring it back
            repository.add(session, None, "", name, None, now, withdrawn=now)
    owners = {name: each.owner for name, each in there.items()}
    may = enterable({name: each.contribution for name, each in there.items()}, owners, floor)
    learned = [repository.keep_elsewhere(session, members) for members in (may, *document.published)]
    if not taken and not withdrawn and not any(learned):
        raise ConflictError(
            "everything in this file is here already", field="file", value=f"{refused} contributions",
            cure="Nothing needs to be done.",
        )  # fmt: skip
    repository.audit(session, "merged", now, count=taken)
    return Merged(taken, refused, withdrawn, kept)
