"""What happens when something is recorded: it is checked against the log so far, then appended."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from pydantic import TypeAdapter
from sqlalchemy.orm import Session

from taperwise.api.accounts import audit
from taperwise.api.core.database import Correction, Database, Entry
from taperwise.api.installations import repository as installations
from taperwise.api.installations.prior import prior_of, prior_row
from taperwise.api.installations.stored import as_stored, installation_of
from taperwise.api.log import repository
from taperwise.api.log.stop import keep_stop
from taperwise.api.log.stored import at_field, check_finite, elevations, record_of
from taperwise.api.presentation.recorded_text import NOTHING_RUN_SINCE, step_warnings
from taperwise.api.presentation.trace_text import NO_FINDING_OPEN, finding_out
from taperwise.api.schemas.adjustments import AcknowledgeIn, AdjustmentIn, AdjustmentKinds
from taperwise.api.schemas.findings import FindingOut
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.log import AirOut, CorrectionOut, EntryOut
from taperwise.api.schemas.recommendation import Position
from taperwise.api.schemas.run import ColumnMapping, RunIn
from taperwise.api.schemas.set_up import SetUpEntry
from taperwise.api.traces.recording import Traced
from taperwise.api.traces.recording import read as read_trace
from taperwise.model.inference import dataset
from taperwise.model.inference.engine_prior import EXPERT, EnginePrior
from taperwise.shared.errors import InvalidValueError, TimeOrderError
from taperwise.shared.findings import TO_LOOK_AT, Finding
from taperwise.shared.records import ChangeNeedle, Installation
from taperwise.shared.records import Entry as EntryRecord

__all__ = [
    "Log",
    "append",
    "entries_of",
    "load",
    "log_revision",
    "open_findings",
    "record_acknowledgement",
    "record_adjustment",
    "record_run",
    "refresh_stop",
    "to_response",
    "with_trace_read",
]

_AHEAD = timedelta(minutes=10)
_ADJUSTMENT: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentIn)
_FINDINGS = TypeAdapter(list[Finding])


@dataclass(frozen=True)
class Log:
    """An installation with its log, as sent and as records; `state` grows with every entry and correction.

    `prior` is the one the installation started from, `findings` what logger files showed and nobody acknowledged yet,
    `last` the number of the last entry.
    """

    installation_id: int
    sent: InstallationIn
    installation: Installation
    entries: tuple[EntryRecord, ...]
    state: int
    prior: EnginePrior = EXPERT
    findings: tuple[FindingOut, ...] = ()
    last: int = 0

    def position(self) -> Position:
        """Where everything stands after the last entry."""
        now, _ = dataset.replay(self.installation, self.entries)
        return Position(fitted_needle=now.needle, turns=now.turns, idle_stop_turns=now.idle_stop_turns)


def load(session: Session, installation_id: int) -> Log:
    """An installation with its log.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    sent, installation, records = _read(session, installation_id)
    state = log_revision(session, installation_id)
    with as_stored("starting estimate", installation_id):
        prior = prior_of(prior_row(session, installation_id))
        check_finite(prior)
    with as_stored("findings", installation_id):
        open_now = open_findings(session, installation_id, sent)
    last = repository.last_sequence(session, installation_id)
    return Log(installation_id, sent, installation, records, state, prior, open_now, last)


def _read(session: Session, installation_id: int) -> tuple[InstallationIn, Installation, tuple[EntryRecord, ...]]:
    """An installation as it was sent and as a record, with the records of its entries that stand."""
    sent = installation_of(installations.get(session, installation_id))
    records = []
    for sequence, kind, document in _standing(session, installation_id):
        with as_stored("sequence", sequence):
            records.append(record_of(kind, document, sent))
    return sent, sent.record(), tuple(records)


def refresh_stop(session: Session, installation_id: int) -> None:
    """Keep whether the log calls for a stop; after each change of the log or of the engine's limits.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    _, installation, entries = _read(session, installation_id)
    keep_stop(session, installation_id, installation, entries)


def open_findings(session: Session, installation_id: int, sent: InstallationIn) -> tuple[FindingOut, ...]:
    """What logger files showed and is to be looked at, of runs that stand, since findings were last acknowledged."""
    read = repository.readings(session, installation_id)
    if not read:
        return ()
    corrected = repository.corrections(session, installation_id)
    found: list[FindingOut] = []
    for row in repository.entries(session, installation_id):
        if row.id in corrected and corrected[row.id][-1].document is None:
            continue
        if _about_trace(row.kind, row.document):
            found = []
        found += [f for f in _findings(row, read.get(row.id, []), sent) if f.code in TO_LOOK_AT]
    return tuple(found)


def _findings(row: Entry, read: list[Any], owner: InstallationIn) -> list[FindingOut]:
    """What the last sweep of a run's logger file showed; a release before this one stored no findings."""
    stored = _FINDINGS.validate_python(read[-1].get("findings", [])) if read else []
    return [finding_out(f, row.sequence, owner.units) for f in stored]


def _about_trace(kind: str, document: dict[str, Any]) -> bool:
    return kind == "acknowledged" and document.get("about") == "trace"


def _standing(session: Session, installation_id: int) -> list[tuple[int, str, dict[str, Any]]]:
    """Number, kind and document of every entry that stands, corrections followed. Left out is what no answer turns on:
    findings, what was said of them, and set-ups that were corrected.

    A run made before the field changed has that field's elevation.
    """
    corrected = repository.corrections(session, installation_id)
    rows = repository.entries(session, installation_id)
    found = []
    for row, field in zip(rows, elevations([_changes(row) for row in rows], None), strict=True):
        document = corrected[row.id][-1].document if row.id in corrected else row.document
        if document is None or _about_trace(row.kind, document):
            continue
        if row.kind == "run" and field is not None:
            document = {"elevation": field, **document}
        if row.kind != "set_up" or document.get("new_part"):
            found.append((row.sequence, row.kind, document))
    return found


def _changes(row: Entry) -> dict[str, Any] | None:
    """What an entry changed of the set-up from its moment on."""
    if row.kind != "set_up":
        return None
    with as_stored("sequence", row.sequence):
        entry = SetUpEntry.model_validate(row.document)
    return entry.changes if entry.meaning == "change" else None


def log_revision(session: Session, installation_id: int) -> int:
    """A number that grows with every entry and correction."""
    corrected = repository.corrections(session, installation_id)
    return repository.last_sequence(session, installation_id) + sum(len(each) for each in corrected.values())


def entries_of(session: Session, installation_id: int, after: int = 0, limit: int | None = None) -> list[EntryOut]:
    """The log's entries as they are shown, with their corrections.

    Parameters
    ----------
    after : int
        Only those with a larger number.
    limit : int, optional
        How many at most.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    """
    owner = installation_of(installations.get(session, installation_id))
    corrected = repository.corrections(session, installation_id)
    read = repository.readings(session, installation_id)
    by = audit.makers(session, "entries", repository.entry_numbers(installation_id))
    rows = repository.entries(session, installation_id)
    fields = elevations([_changes(row) for row in rows], owner.elevation)
    found: list[EntryOut] = []
    for row, field in [each for each in zip(rows, fields, strict=True) if each[0].sequence > after][:limit]:
        with as_stored("sequence", row.sequence):
            there, seen = at_field(owner, field), read.get(row.id, ())
            found.append(to_response(row, there, corrected.get(row.id, ()), seen, by.get(row.id)))
    return found


def to_response(
    row: Entry, owner: InstallationIn, corrected: Sequence[Correction] = (), read: Sequence[Any] = (),
    recorded_by: str | None = None,
) -> EntryOut:  # fmt: skip
    """A stored entry as it is shown; a run with the air it came to and what its logger file showed, in the owner's
    units.

    Raises
    ------
    UnsafeError
        If it cannot be read.
    """
    with as_stored("sequence", row.sequence):
        return _outward(row, owner, corrected, read, recorded_by)


def _outward(
    row: Entry, owner: InstallationIn, corrected: Sequence[Correction], read: Sequence[Any], recorded_by: str | None
) -> EntryOut:
    run = RunIn.model_validate(row.document) if row.kind == "run" else None
    adjustment = _ADJUSTMENT.validate_python(row.document) if row.kind == "adjustment" else None
    return EntryOut(
        id=row.id,
        sequence=row.sequence,
        kind=row.kind,
        time=row.happened_at,
        recorded_at=row.recorded_at,
        recorded_by=recorded_by,
        run=run,
        air=AirOut.of(run.record(owner.elevation).air, owner.units) if run else None,
        adjustment=adjustment,
        acknowledged=AcknowledgeIn.model_validate(row.document) if row.kind == "acknowledged" else None,
        set_up=SetUpEntry.model_validate(row.document) if row.kind == "set_up" else None,
        findings=_findings(row, list(read), owner),
        voided=bool(corrected) and corrected[-1].document is None,
        corrections=[_correction_out(row.kind, c) for c in corrected],
    )


def _correction_out(kind: str, c: Correction) -> CorrectionOut:
    document = c.document
    return CorrectionOut(
        recorded_at=c.recorded_at,
        reason=c.reason,
        run=RunIn.model_validate(document) if document is not None and kind == "run" else None,
        adjustment=_ADJUSTMENT.validate_python(document) if document is not None and kind == "adjustment" else None,
    )


def with_trace_read(database: Database, installation_id: int, sent: RunIn) -> tuple[RunIn, Traced]:
    """A run, and what its trace showed; read before the unit of work that stores both begins.

    A trace that says nothing of its columns gets the mapping of the installation's latest trace that did.

    Raises
    ------
    NotFoundError, InvalidValueError
        If there is no such installation, or the trace cannot be used.
    """
    if sent.trace is None:
        return sent, Traced(sent, [], [])
    with database.reading() as session:
        owner = installation_of(installations.get(session, installation_id))
        kept = None if sent.trace.mapping is not None else repository.remembered_mapping(session, installation_id)
    if kept is None:
        return sent, read_trace(sent, owner.units)
    trace = sent.trace.model_copy(update={"mapping": ColumnMapping.model_validate(kept)})
    sent = sent.model_copy(update={"trace": trace})
    try:
        return sent, read_trace(sent, owner.units)
    except InvalidValueError as error:
        if error.field.startswith("mapping."):
            error.message += ", the name that was kept from this engine's last file"
        raise


def record_run(session: Session, installation_id: int, sent: RunIn, traced: Traced) -> EntryOut:
    """Append a run, and keep its trace.

    Raises
    ------
    NotFoundError, InvalidValueError, TimeOrderError
        If there is no such installation, the run cannot be used, or it is out of order.
    """
    owner = installation_of(installations.get(session, installation_id, lock=True))
    # raises OutOfRangeError for impossible air before anything is stored
    AirOut.of(traced.run.record(owner.elevation).air, owner.units)
    row = append(session, installation_id, "run", traced.run)
    read = [sweep.model_dump(mode="json") for sweep in traced.sweeps]
    if sent.trace is not None:
        repository.keep_trace(session, row.id, sent.trace.model_dump(mode="json", exclude_none=True), read)
    refresh_stop(session, installation_id)
    return to_response(row, owner, read=read)


def record_adjustment(session: Session, installation_id: int, sent: AdjustmentKinds) -> tuple[EntryOut, list[str]]:
    """Append an adjustment, as `record_run` does; what is unusual about it comes back as warnings.

    Raises
    ------
    NotFoundError, InvalidValueError, TimeOrderError
        If there is no such installation, the adjustment is not plausible, or it is out of order.
    """
    owner = installation_of(installations.get(session, installation_id, lock=True))
    installation = owner.record()
    adjustment = sent.record()
    if isinstance(adjustment, ChangeNeedle):
        installation.needle(adjustment.needle)
    row = append(session, installation_id, "adjustment", sent)
    return to_response(row, owner), step_warnings(adjustment, installation)


def record_acknowledgement(session: Session, installation_id: int, sent: AcknowledgeIn) -> tuple[EntryOut, list[str]]:
    """Append an acknowledgement, as `record_run` does; where nothing was run since the last one, that is a warning.

    Raises
    ------
    NotFoundError, TimeOrderError
        If there is no such installation, or it is out of order.
    """
    owner = installation_of(installations.get(session, installation_id, lock=True))
    log = load(session, installation_id)
    row = append(session, installation_id, "acknowledged", sent)
    refresh_stop(session, installation_id)
    if sent.about == "setting":
        return to_response(row, owner), []
    if sent.about == "trace":
        return to_response(row, owner), [] if log.findings else [NO_FINDING_OPEN]
    pending = bool(dataset.gather(log.installation, log.entries).since_acknowledged)
    return to_response(row, owner), [] if pending else [NOTHING_RUN_SINCE]


_Sent = RunIn | AdjustmentKinds | AcknowledgeIn | SetUpEntry


def append(session: Session, installation_id: int, kind: str, sent: _Sent) -> Entry:
    """Append an entry of a kind.

    Raises
    ------
    TimeOrderError
        If it is out of order.
    """
    now = datetime.now(UTC)
    happened = sent.happened_at(now)
    last = repository.latest(session, installation_id)
    if happened > now + _AHEAD:
        raise TimeOrderError(
            "This time is in the future",
            field="time",
            value=happened.isoformat(),
            cure="Check the date, hour and offset.",
        )
    with as_stored("sequence", 0 if last is None else last.sequence):
        early = last is not None and happened < last.happened_at
    if last is not None and early:
        if sent.time is None:
            happened = last.happened_at  # two clocks a few seconds apart; the order of recording stands
        else:
            raise TimeOrderError(
                f"This time is before the last entry, of {last.happened_at.isoformat()}",
                field="time",
                value=happened.isoformat(),
                cure="Record entries in the order in which they happened.",
            )
    sequence = 1 if last is None else last.sequence + 1
    document = sent.model_dump(mode="json", exclude_none=True)
    return repository.append(session, installation_id, sequence, kind, document, happened, now)
