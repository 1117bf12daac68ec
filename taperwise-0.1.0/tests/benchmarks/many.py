"""``many``: pages of a service that holds many installations, timed beside those of a single leaf."""

import json
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from taperwise.api.core.database import Database

__all__ = ["many"]

_FEW = 100  # as many as a page shows
_BATCH = 500
_ADDRESSES = {
    "list": "/installations",
    "desk": "/desk",
    "found": "/installations?name=engine+000077",
    "last_leaf": "/desk?leaf={last}",
}


def many(
    installations: Annotated[int, typer.Option("--installations", min=_FEW, help="Installations held.")] = 10_000,
    runs: Annotated[int, typer.Option("--runs", min=1, help="Runs of each.")] = 6,
    repeats: Annotated[int, typer.Option("--repeats", min=2, help="Times that each page is asked for.")] = 30,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the virtual engine.")] = 1,
) -> None:
    """Time the list, the desk, what is found by name and the desk's last leaf: whole requests to the real application.

    One virtual engine is tuned for real; its log and answer are then copied, so every installation shows something. The
    ratios hold each page against the same one of a service with a hundred, which fill it.
    """
    import numpy as np
    from rich.console import Console
    from rich.progress import track

    from taperwise.api.web.pagination import ON_A_LEAF
    from taperwise.model.simulation.tuned import tuned
    from tests.benchmarks.histories import as_sent
    from tests.benchmarks.update import prepared
    from tests.benchmarks.whole_updates import whole_service

    console = Console(stderr=True)
    sent, recommender = prepared(console)
    log, _ = tuned(sent.record(), runs, seed)
    milliseconds: dict[int, dict[str, list[float]]] = {}
    with whole_service(recommender) as service:
        service.set_up(sent, as_sent(log))
        held = 1
        for count in (_FEW, installations):
            held += _copied(service.database, held, count - held, console)
            last = -(-count // ON_A_LEAF)
            milliseconds[count] = {
                name: [1e3 * service.seconds(address.format(last=last)) for _ in range(repeats + 1)][1:]
                for name, address in track(_ADDRESSES.items(), f"pages of {count}", console=console)
            }
    result: dict[str, Any] = {}
    for name in _ADDRESSES:
        large, few = milliseconds[installations][name], milliseconds[_FEW][name]
        result[f"{name}_p50_ms"], result[f"{name}_p95_ms"] = (
            round(float(x), 1) for x in np.quantile(large, (0.5, 0.95))
        )
        result[f"{name}_ratio_to_one_leaf"] = round(float(np.median(large) / np.median(few)), 2)
    result["sizes"] = {"installations": installations, "runs": runs, "repeats": repeats, "seed": seed}
    typer.echo(json.dumps(result))


def _copied(database: "Database", first: int, copies: int, console: Any) -> int:
    """The first installation once more, so many times, with its entries and its answer."""
    from rich.progress import track
    from sqlalchemy import insert, select

    from taperwise.api.core.database import Answer, Entry, Installation

    with database.reading() as session:
        row = session.get_one(Installation, 1)
        entries = list(session.scalars(select(Entry).where(Entry.installation_id == 1).order_by(Entry.sequence)))
        answer = session.get_one(Answer, 1)
        session.expunge_all()
        made_at, document = row.created_at, row.document
    for begin in track(range(0, copies, _BATCH), "installations", console=console):
        with database.unit() as session:
            rows = [
                {
                    "created_at": made_at,
                    "document": {**document, "name": f"engine {first + begin + i:06d}"},
                    "owner_id": None,
                }
                for i in range(min(_BATCH, copies - begin))
            ]
            numbers = list(session.scalars(insert(Installation).returning(Installation.id), rows))
            session.execute(insert(Entry), [_of(e, n) for n in numbers for e in entries])
            session.execute(insert(Answer), [_of(answer, n) for n in numbers])
    return max(copies, 0)


def _of(row: Any, installation_id: int) -> dict[str, Any]:
    """The columns of a row, for another installation."""
    kept = {c.key: getattr(row, c.key) for c in row.__mapper__.column_attrs if c.key not in ("id",)}
    return {**kept, "installation_id": installation_id}
