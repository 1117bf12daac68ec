"""All installations at a glance, the most serious first: one query for all of them, and nothing is calculated."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any

from sqlalchemy import ColumnElement, Integer, Select, String, and_, case, cast, false, func, literal, or_, select
from sqlalchemy.orm import Session

from taperwise.api.accounts.principal import Caller
from taperwise.api.accounts.tables import Person, Seen
from taperwise.api.core.database import Answer, Correction, Entry, Installation, Note
from taperwise.api.installations.repository import NAME, READABLE, named
from taperwise.api.installations.standing import Standing, is_whole
from taperwise.api.recommendations.seal import is_sealed
from taperwise.model import MODEL_VERSION

__all__ = ["DOUBTFUL", "IDLE_AFTER", "LEAN", "SORTS", "EngineStatus", "Flag", "Severity", "overview"]

LEAN = 0.5
"""Chance of being lean of peak at full throttle from which that is a danger of its own: more likely than not."""

DOUBTFUL = 0.2
"""Chance that not all is as recorded from which it is worth a look, though no alarm yet."""

IDLE_AFTER = timedelta(days=7)
"""After so long without an entry an engine that is not tuned counts as stale."""


class Severity(StrEnum):
    """How soon somebody should look at an installation, the most serious first."""

    STOP = "stop"
    LEAN = "lean"
    FAULT = "fault"
    STUCK = "stuck"
    STALE = "stale"
    WAITING = "waiting"
    FINE = "fine"


class Flag(StrEnum):
    """What needs looking at."""

    LIMIT_EXCEEDED = "limit_exceeded"
    LEAN_OF_PEAK = "lean_of_peak"
    NOT_AS_FORETOLD = "not_as_foretold"
    STATIC_SPEED_OUT = "static_speed_out"
    RISE_STUCK = "rise_stuck"
    DOUBTFUL = "doubtful"
    LOGGER_FINDINGS = "logger_findings"
    CONTRADICTING = "contradicting"
    NO_NEEDLE_FITS = "no_needle_fits"
    NOT_TO_BE_SETTLED = "not_to_be_settled"
    TOO_FAR_TO_GO = "too_far_to_go"
    IDLE = "idle"
    NO_ENTRY = "no_entry"
    NO_ANSWER = "no_answer"


_FAULTS = (Flag.NOT_AS_FORETOLD, Flag.STATIC_SPEED_OUT, Flag.RISE_STUCK)
"""Causes to look for that an answer may name instead of a step."""
_STUCK = (Flag.NO_NEEDLE_FITS, Flag.NOT_TO_BE_SETTLED, Flag.TOO_FAR_TO_GO)
"""Ends of a tuning that never came out as tuned."""

_OF: dict[Flag, Severity] = {
    Flag.LIMIT_EXCEEDED: Severity.STOP,
    Flag.LEAN_OF_PEAK: Severity.LEAN,
    Flag.NOT_AS_FORETOLD: Severity.FAULT,
    Flag.STATIC_SPEED_OUT: Severity.FAULT,
    Flag.RISE_STUCK: Severity.FAULT,
    Flag.DOUBTFUL: Severity.FAULT,
    Flag.LOGGER_FINDINGS: Severity.FAULT,
    Flag.CONTRADICTING: Severity.FAULT,
    **dict.fromkeys(_STUCK, Severity.STUCK),
    Flag.IDLE: Severity.STALE,
    Flag.NO_ENTRY: Severity.WAITING,
    Flag.NO_ANSWER: Severity.WAITING,
}


@dataclass(frozen=True)
class EngineStatus:
    """Where one installation stands.

    Parameters
    ----------
    owner : str
        Empty where sign-in is off.
    severity : Severity
        That of the most serious flag.
    flags : tuple of Flag
        The most serious first.
    stage : str or None
        This and the chances are those of the latest answer; None before the first.
    chance_both, lean_chance, doubt : float or None
    runs_to_finish : float or None
        Expected number of further runs.
    last_entry, last_run : datetime or None
    idle_days : int or None
        Whole days since the latest entry.
    new_entries, new_notes : int
        Recorded or written by others since the asker last looked.
    never_seen : bool
        Whether the asker has not looked at it yet.
    current : bool
        Whether the latest answer is of the log as it stands.
    """

    number: int
    name: str
    owner: str
    severity: Severity
    flags: tuple[Flag, ...]
    stage: str | None
    chance_both: float | None
    lean_chance: float | None
    doubt: float | None
    runs: int
    runs_to_finish: float | None
    last_entry: datetime | None
    last_run: datetime | None
    idle_days: int | None
    notes: int
    new_entries: int
    new_notes: int
    never_seen: bool
    current: bool

    @property
    def changed(self) -> bool:
        """Whether there is anything that the asker has not seen."""
        return self.never_seen or self.new_entries + self.new_notes > 0


SORTS = ("severity", "name", "owner", "stage", "chance", "lean", "last_run", "idle", "finish", "number")
"""What a list may be sorted by; a minus before it turns the order round."""


def overview(
    session: Session, asker: Caller, seed: int, now: datetime, *, name: str = "", owner: str = "",
    sort: str = "severity",
) -> list[EngineStatus]:  # fmt: skip
    """Where every installation stands that the asker may see; stops and lean engines first, whatever the order.

    Parameters
    ----------
    asker : Caller
    seed : int
        Answers of another seed or model version count as not current.
    now : datetime
    name, owner : str
        Part of the installation's name, or its number; part of the owner's name. Empty for all.
    sort : str
        One of `SORTS`, with a minus for the other way round.
    """
    query = _query(asker, seed, now, *_damaged(session, asker))
    if name:
        query = query.where(named(name))
    if owner:
        query = query.where(Person.name.icontains(owner, autoescape=True))
    rows = session.execute(query.order_by(*_order(query, sort))).mappings()
    return [_status(row, now) for row in rows]


def _damaged(session: Session, asker: Caller) -> tuple[list[int], list[int]]:
    """Installations whose stored answer is not as it was stored, and those whose row of figures is not."""
    answers = select(Answer).join(Installation, Installation.id == Answer.installation_id).where(asker.visible())
    rows = select(Standing).join(Installation, Installation.id == Standing.installation_id).where(asker.visible())
    return (
        [row.installation_id for row in session.scalars(answers) if not is_sealed(row)],
        [row.installation_id for row in session.scalars(rows) if not is_whole(row)],
    )


def _seen_by(asker: Caller) -> Any:
    """When the asker last looked at each installation."""
    mine = select(Seen.installation_id, Seen.at).where(Seen.person_id == (asker.person_id or 0))
    return mine.subquery("seen_by_me")


def _entries(seen: Any) -> Any:
    """What the log of each installation comes to."""
    fresh = or_(seen.c.at.is_(None), Entry.recorded_at > seen.c.at)
    return (
        select(
            Entry.installation_id,
            func.max(Entry.sequence).label("sequence"),
            func.max(Entry.happened_at).label("last_entry"),
            func.max(case((Entry.kind == "run", Entry.happened_at))).label("last_run"),
            func.sum(case((fresh, 1), else_=0)).label("fresh"),
            func.sum(case((Entry.kind == "run", 1), else_=0)).label("runs"),
        )
        .outerjoin(seen, seen.c.installation_id == Entry.installation_id)
        .group_by(Entry.installation_id)
        .subquery("entries_so_far")
    )


def _corrections() -> Any:
    """How many corrections each installation has."""
    return (
        select(Entry.installation_id, func.count().label("count"))
        .join_from(Correction, Entry, Entry.id == Correction.entry_id)
        .group_by(Entry.installation_id)
        .subquery("corrections_so_far")
    )


def _notes(seen: Any, asker: Caller) -> Any:
    """Notes of each installation, and those of others that are new for the asker."""
    others = or_(Note.person_id.is_(None), Note.person_id != asker.person_id) if asker.person_id else false()
    fresh = or_(seen.c.at.is_(None), func.coalesce(Note.edited_at, Note.written_at) > seen.c.at)
    return (
        select(
            Note.installation_id,
            func.count().label("count"),
            func.sum(case((and_(others, fresh), 1), else_=0)).label("fresh"),
        )
        .outerjoin(seen, seen.c.installation_id == Note.installation_id)
        .group_by(Note.installation_id)
        .subquery("notes_so_far")
    )


def _query(asker: Caller, seed: int, now: datetime, answers: Sequence[int], standings: Sequence[int]) -> Select[Any]:
    seen, corrected = _seen_by(asker), _corrections()
    entries, notes = _entries(seen), _notes(seen, asker)
    state = func.coalesce(entries.c.sequence, 0) + func.coalesce(corrected.c.count, 0)
    whole = Standing.installation_id.not_in(answers)
    current = and_(Standing.state == state, Standing.seed == seed, Standing.model_version == MODEL_VERSION, whole)
    columns = {
        "number": Installation.id,
        "name": NAME,
        "readable": READABLE,
        "owner": Person.name,
        "stage": Standing.stage,
        "cause": Standing.cause,
        "chance_both": Standing.chance_both,
        "lean_chance": Standing.lean_chance,
        "doubt": Standing.doubt,
        "runs_to_finish": Standing.runs_to_finish,
        "converged": Standing.converged,
        "findings": Standing.findings,
        "exceeded": cast(Standing.exceeded, String).is_not(None),
        "runs": func.coalesce(entries.c.runs, 0, type_=Integer),
        "last_entry": entries.c.last_entry,
        "last_run": entries.c.last_run,
        "notes": func.coalesce(notes.c.count, 0, type_=Integer),
        "new_entries": func.coalesce(entries.c.fresh, 0, type_=Integer),
        "new_notes": func.coalesce(notes.c.fresh, 0, type_=Integer),
        "never_seen": seen.c.at.is_(None),
        "current": func.coalesce(current, literal(False)),
    }
    rank = _rank(columns, entries.c.last_entry, now)
    return (
        select(rank.label("rank"), *(column.label(name) for name, column in columns.items()))
        .select_from(Installation)
        .outerjoin(
            Standing, and_(Standing.installation_id == Installation.id, Standing.installation_id.not_in(standings))
        )
        .outerjoin(Person, Person.id == Installation.owner_id)
        .outerjoin(entries, entries.c.installation_id == Installation.id)
        .outerjoin(corrected, corrected.c.installation_id == Installation.id)
        .outerjoin(notes, notes.c.installation_id == Installation.id)
        .outerjoin(seen, seen.c.installation_id == Installation.id)
        .where(asker.visible())
    )


def _rank(columns: dict[str, Any], last_entry: Any, now: datetime) -> ColumnElement[int]:
    """Place of the most serious flag in `Severity`, in SQL; `_flags` names them all."""
    stop, lean, fault, stuck, stale, waiting, fine = range(len(Severity))
    is_fault = or_(
        Standing.cause.in_([each.value for each in _FAULTS]),
        Standing.doubt >= DOUBTFUL,
        Standing.findings > 0,
        Standing.converged.is_(False),
    )
    return case(
        (columns["exceeded"], stop),
        (and_(Standing.lean_chance >= LEAN, columns["runs"] > 0), lean),
        (is_fault, fault),
        (Standing.cause.in_([each.value for each in _STUCK]), stuck),
        (and_(last_entry < now - IDLE_AFTER, func.coalesce(Standing.stage, "") != "tuned"), stale),
        (or_(last_entry.is_(None), columns["current"].is_(False)), waiting),
        else_=fine,
    )


def _order(query: Select[Any], sort: str) -> list[Any]:
    named_column = query.selected_columns
    key, turned = sort.removeprefix("-"), sort.startswith("-")
    stages = {"full_throttle": 0, "idle_mixture": 1, "idle_speed": 2, "tuned": 3}
    by: dict[str, Any] = {
        "severity": named_column["rank"],
        "name": func.lower(named_column["name"]),
        "owner": func.lower(Person.name),
        "stage": case(stages, value=Standing.stage),
        "chance": Standing.chance_both,
        "lean": Standing.lean_chance,
        "last_run": named_column["last_run"],
        "idle": named_column["last_entry"],
        "finish": Standing.runs_to_finish,
        "number": Installation.id,
    }
    chosen = by[key].desc() if turned else by[key].asc()
    pinned = case((named_column["rank"] <= 1, named_column["rank"]), else_=2)
    worst = Standing.lean_chance.desc().nulls_last()
    return [pinned, chosen.nulls_last(), worst, Installation.id.desc()]


def _status(row: Any, now: datetime) -> EngineStatus:
    values = {name: row[name] for name in row if name in EngineStatus.__dataclass_fields__}
    damaged = "" if row["readable"] else " (changed in the database: restore a backup)"
    values["name"] = str(values["name"] or f"Engine {row['number']}{damaged}")
    values["owner"] = values["owner"] or ""
    values["idle_days"] = None if row["last_entry"] is None else max(0, (now - row["last_entry"]).days)
    flags = _flags(row, now)
    severity = tuple(Severity)[row["rank"]]
    return EngineStatus(**{**values, "current": bool(row["current"])}, severity=severity, flags=flags)


def _flags(row: Any, now: datetime) -> tuple[Flag, ...]:
    last, runs = row["last_entry"], row["runs"]
    cause = row["cause"]
    causes = (*_FAULTS, *_STUCK)
    holds = {
        Flag.LIMIT_EXCEEDED: bool(row["exceeded"]),
        Flag.LEAN_OF_PEAK: runs > 0 and (row["lean_chance"] or 0.0) >= LEAN,
        **{each: cause == each.value for each in causes},
        Flag.DOUBTFUL: cause != Flag.NOT_AS_FORETOLD.value and (row["doubt"] or 0.0) >= DOUBTFUL,
        Flag.LOGGER_FINDINGS: bool(row["findings"]),
        Flag.CONTRADICTING: row["converged"] is not None and not row["converged"],
        Flag.IDLE: last is not None and row["stage"] != "tuned" and last < now - IDLE_AFTER,
        Flag.NO_ENTRY: last is None,
        Flag.NO_ANSWER: last is not None and not row["current"],
    }
    return tuple(flag for flag in _OF if holds[flag])
