"""An invented fleet in an empty database, for trying the service out: builders, engines and their logs."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import numpy as np
from pydantic import TypeAdapter
from sqlalchemy import func, select

from taperwise.api.accounts.service import add
from taperwise.api.core.database import Database, Installation
from taperwise.api.core.roles import Role
from taperwise.api.files.day import adjustment_body, run_body
from taperwise.api.files.installation import installation_from
from taperwise.api.installations.service import set_up
from taperwise.api.log.service import record_adjustment, record_run
from taperwise.api.schemas.adjustments import AdjustmentKinds
from taperwise.api.schemas.run import RunIn
from taperwise.api.traces.recording import Traced
from taperwise.model.simulation.common_practice import next_adjustment
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.errors import ConflictError
from taperwise.shared.runs import Air

__all__ = ["BUILDER", "fill"]

BUILDER = "Invented builder {number}"
"""Name of every builder."""

_ENGINES_A_BUILDER = 2
_MOST_RUNS = 9
_APART, _BETWEEN = timedelta(minutes=20), timedelta(days=1)  # runs of one day, and engines
_ADJUSTMENT: TypeAdapter[AdjustmentKinds] = TypeAdapter(AdjustmentKinds)


def fill(database: Database, count: int, seed: int, tell: Callable[[str], None]) -> None:
    """Fill an empty database with virtual engines, adjusted by the rule of thumb.

    Parameters
    ----------
    database : Database
    count : int
        Engines.
    seed : int
        The same seed gives the same fleet.
    tell : callable
        Told what was made.

    Raises
    ------
    ConflictError
        If the database holds an engine already.
    """
    with database.unit() as session:
        there = session.scalar(select(func.count()).select_from(Installation)) or 0
        if there:
            raise ConflictError(
                "this database holds engines already, and nothing was changed", field="--fleet", value=there,
                cure="Name an empty database with --data-folder or --database-url.",
            )  # fmt: skip
        builders = [
            add(session, BUILDER.format(number=k + 1), [Role.BUILDER]).id
            for k in range(-(-count // _ENGINES_A_BUILDER))
        ]
    begun = datetime.now(UTC) - count * _BETWEEN
    entries = 0
    for k in range(count):
        entries += _engine(database, k, builders[k // _ENGINES_A_BUILDER], seed + k, begun + k * _BETWEEN)
    tell(f"Made {count} invented engines of {len(builders)} invented builders, with {entries} entries.")


def _engine(database: Database, index: int, owner_id: int, seed: int, begun: datetime) -> int:
    """One engine with its log; how many entries that has."""
    rng = np.random.default_rng(seed)
    sent = installation_from(None).model_copy(update={"name": f"Invented engine {index + 1}"})
    installation = sent.record()
    engine = VirtualEngine.draw(installation, seed)
    air = Air(float(rng.uniform(276.0, 300.0)), float(rng.uniform(93_000.0, 102_000.0)))
    entries = 0
    with database.unit() as session:
        number = set_up(session, sent, owner_id).id
        for k in range(int(rng.integers(0, _MOST_RUNS + 1))):
            run = engine.run(air)
            when = {"time": (begun + k * _APART).isoformat()}
            body = RunIn.model_validate(run_body(run) | when)
            record_run(session, number, body, Traced(body, [], []))
            entries += 1
            adjustment = next_adjustment(run, engine.position.needle, installation)
            if adjustment is None:
                break
            engine.adjust(adjustment)
            record_adjustment(session, number, _ADJUSTMENT.validate_python(adjustment_body(adjustment) | when))
            entries += 1
    return entries
