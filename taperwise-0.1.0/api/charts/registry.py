"""All pictures of a log, hung in the order in which they are looked at."""

from collections.abc import Callable

from sqlalchemy.orm import Session

from taperwise.api.charts import fan, growth, runs, sweep, target, travel
from taperwise.api.charts.data import Portraits
from taperwise.api.charts.style import Picture
from taperwise.api.log import repository, service
from taperwise.api.schemas.run import ColumnMapping
from taperwise.api.schemas.units import Units
from taperwise.api.traces.columns import trace_of
from taperwise.api.traces.reading import summary
from taperwise.shared.errors import NotFoundError

__all__ = ["DRAWN", "drawn", "on_paper", "sweep_of"]

DRAWN: dict[str, Callable[[Portraits, service.Log], Picture]] = {
    "target": lambda p, log: target.draw(p.around, log.sent.units),
    "travel": lambda p, log: travel.draw(p.along, log.sent.units),
    "runs": lambda p, log: runs.draw(p.runs, log.installation.targets.rise_kelvin, log.sent.units),
    "growth": lambda p, log: growth.draw(p.runs, log.installation.limits.confirm_chance),
    "fan": lambda p, log: fan.draw(p.holding, log.installation.targets.rise_kelvin, log.sent.units),
}
"""Pictures by name."""


def drawn(portraits: Portraits, log: service.Log) -> list[Picture]:
    """All pictures there is something to see in."""
    without_runs = ("target", "travel", "fan")
    return [draw(portraits, log) for name, draw in DRAWN.items() if portraits.runs or name in without_runs]


def on_paper(portraits: Portraits, log: service.Log) -> list[Picture]:
    """Those that belong on the sheet: what the runs showed, and where it stands; none where nothing can be told."""
    if not (portraits.runs and portraits.converged):
        return []
    return [DRAWN[name](portraits, log) for name in ("runs", "target")]


def sweep_of(session: Session, installation_id: int, sequence: int, units: Units) -> Picture:
    """The sweep of a run that came with a trace.

    Raises
    ------
    NotFoundError
        If that entry has none.
    """
    sent = repository.trace(session, installation_id, sequence)
    if sent is None:
        raise NotFoundError(
            "This entry has no logger file",
            field="sequence",
            value=sequence,
            cure="Choose a run with a logger file in the log.",
        )
    mapping = None if sent.get("mapping") is None else ColumnMapping.model_validate(sent["mapping"])
    trace = trace_of(sent["csv"], mapping)
    return sweep.draw(trace, summary(trace, units)[-1], units, sequence)
