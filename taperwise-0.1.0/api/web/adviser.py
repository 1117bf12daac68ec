"""The overview: all installations, the most serious first; found, filtered, sorted, and kept as a file."""

import csv
import io
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Annotated, NamedTuple
from urllib.parse import urlencode

from fastapi import APIRouter, Depends, Query, Response
from fastapi.responses import RedirectResponse

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.accounts.repository import see
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import Count, Db
from taperwise.api.core.roles import Rule, requires
from taperwise.api.exports.table import plain
from taperwise.api.presentation.chance_text import HAZARD_SHORT, STAGES
from taperwise.api.presentation.overview_text import SEVERITIES
from taperwise.api.recommendations.overview_routes import Sort, counted, words_of
from taperwise.api.recommendations.service import AdviceDesk, RecommendationService
from taperwise.api.recommendations.status_query import EngineStatus, Flag, Severity, overview
from taperwise.api.schemas.installation import Sought
from taperwise.api.web.background_calls import AtWork, BackgroundCalls
from taperwise.api.web.form_data import Form
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page

__all__ = ["Wanted", "begin_answers", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute)

_ROWS = 200
_MOST_ROWS = 1000
_BEGUN_AT_ONCE = 10
"""Answers that opening the list begins: the worker makes the others."""

_COLUMNS = {
    "severity": "Attention", "name": "Engine", "owner": "Owner", "stage": "Stage", "chance": "Both in target",
    "lean": HAZARD_SHORT, "last_run": "Last run", "idle": "Days idle", "finish": "Runs to finish",
}  # fmt: skip


class Wanted(NamedTuple):
    """What of the overview is asked for.

    Parameters
    ----------
    name, owner : str
        Part of the name, or the number; part of the owner's name. Empty for all.
    severity : Severity or None
    changed : bool
        Only what changed since the asker last looked.
    sort : str
    leaf : int
        Page, from 1.
    rows : int
        Rows on a page.
    """

    name: str = ""
    owner: str = ""
    severity: Severity | None = None
    changed: bool = False
    sort: str = "severity"
    leaf: int = 1
    rows: int = _ROWS

    def address(self, **changes: object) -> str:
        """The query of a link that asks for this but for some changes; what is at its default is left out."""
        asked = self._replace(**({"leaf": 1} | changes))  # type: ignore[arg-type]
        usual = Wanted()
        return "?" + urlencode(
            {
                name: "1" if value is True else str(value)
                for name, value in asked._asdict().items()
                if value != getattr(usual, name)
            }
        )

    def turned(self, column: str) -> str:
        """The order that pressing a column's heading asks for."""
        return f"-{column}" if self.sort == column else column


def _wanted(
    name: Annotated[Sought, Query()] = "",
    owner: Annotated[Sought, Query()] = "",
    severity: Annotated[Severity | None, Query()] = None,
    changed: Annotated[bool, Query()] = False,
    sort: Annotated[Sort, Query()] = "severity",
    leaf: Annotated[Count, Query(ge=1, le=1_000_000)] = 1,
    rows: Annotated[Count, Query(ge=1, le=_MOST_ROWS)] = _ROWS,
) -> Wanted:
    return Wanted(name, owner, severity, changed, sort, leaf, rows)


Asked = Annotated[Wanted, Depends(_wanted)]


def _all(database: Database, asker: Asker, seed: int, wanted: Wanted) -> list[EngineStatus]:
    with database.reading() as session:
        return overview(session, asker, seed, datetime.now(UTC), name=wanted.name, owner=wanted.owner, sort=wanted.sort)


def _kept(engines: Sequence[EngineStatus], wanted: Wanted) -> list[EngineStatus]:
    return [
        each for each in engines
        if wanted.severity in (None, each.severity) and (each.changed or not wanted.changed)
    ]  # fmt: skip


@router.get("/desk", **requires(Rule.SIGNED_IN))
def desk_page(database: Db, desk: AdviceDesk, work: AtWork, asker: Asker, wanted: Asked) -> Response:
    """All installations in one table. Results that are missing are begun."""
    engines = _all(database, asker, desk.seed, wanted)
    found = _kept(engines, wanted)
    everything = _all(database, asker, desk.seed, Wanted()) if wanted.name or wanted.owner else engines
    first = (wanted.leaf - 1) * wanted.rows
    shown = found[first : first + wanted.rows]
    begin_answers(shown, database, desk, work)
    return page(
        "desk.html",
        rows=[(each, words_of(each)) for each in shown],
        first=first,
        found=len(found),
        total=len(engines),
        changed=sum(each.changed for each in engines),
        counts=counted(engines),
        danger=[each for each in everything if each.severity in (Severity.STOP, Severity.LEAN)],
        severities=SEVERITIES,
        columns=_COLUMNS,
        wanted=wanted,
        asker=asker,
        now=datetime.now(UTC).isoformat(),
    )


def begin_answers(
    shown: Sequence[EngineStatus], database: Database, desk: RecommendationService, work: BackgroundCalls
) -> None:
    """Begin to make some of the answers that are missing; nobody waits for them."""
    if not desk.ready:
        return
    missing = [each.number for each in shown if Flag.NO_ANSWER in each.flags]
    for number in missing[:_BEGUN_AT_ONCE]:
        work.answer(desk, database, number, patience=0.0)


@router.get("/desk.csv", **requires(Rule.SIGNED_IN))
def as_csv(database: Db, desk: AdviceDesk, asker: Asker, wanted: Asked) -> Response:
    """The whole list as a table of comma-separated values, in its order."""
    text = io.StringIO()
    out = csv.writer(text, lineterminator="\r\n")
    out.writerow(
        ["number", "engine", "owner", "severity", "attention", "stage", "chance both in target",
         "chance lean of peak", "runs", "expected runs to finish", "last run", "days idle", "notes"]
    )  # fmt: skip
    found = _kept(_all(database, asker, desk.seed, wanted), wanted)
    for each in found:
        out.writerow(
            [each.number, plain(each.name), plain(each.owner), each.severity.value,
             "; ".join(flag.words for flag in words_of(each)), STAGES.get(each.stage or "", ""),
             _figure(each.chance_both), _figure(each.lean_chance), each.runs, _figure(each.runs_to_finish),
             "" if each.last_run is None else each.last_run.isoformat(),
             "" if each.idle_days is None else each.idle_days, each.notes]
        )  # fmt: skip
    out.writerow(["rows", len(found)])
    return Response(
        text.getvalue(),
        media_type="text/csv; charset=utf-8",
        headers={"Content-Disposition": 'attachment; filename="overview.csv"', "Cache-Control": "no-store"},
    )


def _figure(x: float | None) -> str:
    return "" if x is None else f"{x:.4g}"


@router.post("/desk/seen", **requires(Rule.SIGNED_IN))
def seen(typed: Form, database: Db, asker: Asker, desk: AdviceDesk) -> Response:
    """Note that the asker looked at all of them; what came after the page was made stays new."""
    at = _moment(typed.get("at"))
    with database.unit() as session:
        numbers = [each.number for each in overview(session, asker, desk.seed, at)]
        see(session, asker.person_id or 0, numbers, at)
    return RedirectResponse("/desk", 303)


@router.post("/installations/{installation_id}/seen", **requires(Rule.SEES))
def seen_one(installation_id: InstallationId, typed: Form, database: Db, asker: Asker) -> Response:
    """Note that the asker looked at this installation and read its notes."""
    with database.unit() as session:
        see(session, asker.person_id or 0, [installation_id], _moment(typed.get("at")))
    return RedirectResponse(f"/installations/{installation_id}#notes", 303)


def _moment(text: str) -> datetime:
    """The time that a page was made; now where it says none that can be."""
    now = datetime.now(UTC)
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return now
    return min(found, now) if found.tzinfo is not None else now
