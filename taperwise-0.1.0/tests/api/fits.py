"""Stand-ins for fits, in a module that a worker can load.

Each leaves a line for every beginning and every end where `REFIT_TEST_LOG` says.
"""

import os
import time
from pathlib import Path
from typing import Any

from taperwise.api.log.service import Log
from taperwise.model import MODEL_VERSION

__all__ = ["failing", "failing_on_a_cluster", "from_an_older_worker", "lines", "slowly"]


def lines() -> list[list[str]]:
    """What was written so far: ``begun`` or ``ended``, engine, process."""
    file = Path(os.environ["REFIT_TEST_LOG"])
    return [line.split() for line in file.read_text().splitlines()] if file.exists() else []


def _wrote(what: str, log: Log) -> None:
    with Path(os.environ["REFIT_TEST_LOG"]).open("a") as file:
        file.write(f"{what} {log.installation_id} {os.getpid()}\n")


def _fit(log: Log, seconds: float) -> dict[str, Any]:
    _wrote("begun", log)
    time.sleep(seconds)
    _wrote("ended", log)
    answer = {
        "made for": log.installation_id,
        "entries": len(log.entries),
        "provenance": {"model_version": MODEL_VERSION},
    }
    return {"answer": answer, "earlier_fits": {}}


def slowly(seed: int, log: Log) -> dict[str, Any]:
    """Takes a while."""
    return _fit(log, 0.4)


def failing(seed: int, log: Log) -> dict[str, Any]:
    """Breaks down for engine 3; its process is killed for engine 5, and for engine 12 the first time."""
    begun = [engine for what, engine, _ in lines() if what == "begun"]
    if log.installation_id == 3:
        raise ArithmeticError("the chains did not meet\nand more that nobody wants to read")
    if log.installation_id == 5 or (log.installation_id == 12 and "12" not in begun):
        _wrote("begun", log)
        os._exit(9)
    return _fit(log, 0.05)


def failing_on_a_cluster(seed: int, log: Log) -> dict[str, Any]:
    """Breaks down for engine 3 and kills its worker for engine 5."""
    return failing(seed, log) if log.installation_id in (3, 5) else _fit(log, 0.05)


def from_an_older_worker(seed: int, log: Log) -> dict[str, Any]:
    """Engines 2 and 4 come from workers of an older release, 6 from one that does not tell."""
    made = _fit(log, 0.0)
    if log.installation_id in (2, 4):
        made["answer"]["provenance"]["model_version"] = "15"
    if log.installation_id == 6:
        del made["answer"]["provenance"]
    return made
