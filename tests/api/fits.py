"""Stand-ins for fits, in a module that a worker's process loads in a moment.

Each leaves a line for every beginning and every end where `REFIT_TEST_LOG` says.
"""

import os
import time
from pathlib import Path
from typing import Any

from taperwise.api.refit.work import Order
from taperwise.model import MODEL_VERSION

__all__ = ["failing", "failing_on_a_cluster", "from_an_older_worker", "lines", "slowly"]


def lines() -> list[list[str]]:
    """What was written so far: ``begun`` or ``ended``, engine, process."""
    log = Path(os.environ["REFIT_TEST_LOG"])
    return [line.split() for line in log.read_text().splitlines()] if log.exists() else []


def _wrote(what: str, order: Order) -> None:
    with Path(os.environ["REFIT_TEST_LOG"]).open("a") as log:
        log.write(f"{what} {order.installation_id} {os.getpid()}\n")


def _fit(order: Order, seconds: float) -> dict[str, Any]:
    _wrote("begun", order)
    time.sleep(seconds)
    _wrote("ended", order)
    answer = {
        "made for": order.installation_id,
        "entries": len(order.entries),
        "provenance": {"model_version": MODEL_VERSION},
    }
    return {"answer": answer, "earlier_fits": {}}


def slowly(order: Order) -> dict[str, Any]:
    """Takes a while."""
    return _fit(order, 0.4)


def failing(order: Order) -> dict[str, Any]:
    """Breaks down for engine 3; its process is killed for engine 5, and for engine 12 the first time."""
    begun = [engine for what, engine, _ in lines() if what == "begun"]
    if order.installation_id == 3:
        raise ArithmeticError("the chains did not meet\nand more that nobody wants to read")
    if order.installation_id == 5 or (order.installation_id == 12 and "12" not in begun):
        _wrote("begun", order)
        os._exit(9)
    return _fit(order, 0.05)


def failing_on_a_cluster(order: Order) -> dict[str, Any]:
    """Breaks down for engine 3 and kills its worker for engine 5."""
    return failing(order) if order.installation_id in (3, 5) else _fit(order, 0.05)


def from_an_older_worker(order: Order) -> dict[str, Any]:
    """Engines 2 and 4 come from workers of an older release, 6 from one that does not tell."""
    made = _fit(order, 0.0)
    if order.installation_id in (2, 4):
        made["answer"]["provenance"]["model_version"] = "15"
    if order.installation_id == 6:
        del made["answer"]["provenance"]
    return made
