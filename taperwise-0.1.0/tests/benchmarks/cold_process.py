"""A command of a new process: record a run and read the next step, as a whole process on a warm cache."""

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from taperwise.shared.errors import InvalidValueError

if TYPE_CHECKING:
    from taperwise.api.schemas.installation import InstallationIn

__all__ = ["cold_process"]

_TIMES = 3
_COMMAND = (sys.executable, "-c", "from taperwise.api.cli.main import run; run()", "run", "1", "--air", "64 degF",
            "--pressure", "993 hPa", "--rise", "120", "--idle", "3", "--idle-rpm", "780")  # fmt: skip


def cold_process(sent: "InstallationIn", before: int, seed: int) -> float:
    """Median seconds of the whole process, with so many runs recorded before it.

    Raises
    ------
    InvalidValueError
        If the command fails.
    """
    from taperwise.api.core.database import Database
    from taperwise.api.installations.service import set_up
    from taperwise.api.log import service
    from taperwise.api.recommendations.factory import make_recommender
    from taperwise.api.recommendations.service import RecommendationService
    from taperwise.api.schemas.run import RunIn
    from taperwise.api.traces.recording import read
    from taperwise.model.simulation.tuned import tuned
    from tests.benchmarks.histories import as_sent

    with tempfile.TemporaryDirectory(prefix="taperwise-") as folder:
        url = f"sqlite:///{Path(folder) / 'bench.db'}"
        database = Database(url)
        database.migrate()
        desk = RecommendationService(make_recommender, make_recommender().seed)
        desk.prepare()
        log, _ = tuned(sent.record(), before, seed)
        with database.unit() as session:
            number = set_up(session, sent, None).id
        for entry in as_sent(log):
            with database.unit() as session:
                if isinstance(entry, RunIn):
                    service.record_run(session, number, entry, read(entry))
                else:
                    service.record_adjustment(session, number, entry)
        desk.answer(database, number)  # keeps the earlier fits, as the answers to those runs would have
        found = [_once(url) for _ in range(1 + _TIMES)][1:]  # the first finds nothing warm
        database.close()
    return round(median(found), 3)


def _once(url: str) -> float:
    # compiled modules are kept as they are for whoever uses it
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    environment["TAPERWISE_DATABASE_URL"] = url
    begun = time.perf_counter()
    done = subprocess.run(_COMMAND, env=environment, capture_output=True, text=True, check=False)
    taken = time.perf_counter() - begun
    if done.returncode not in (0, 3):  # 3: look first
        raise InvalidValueError(
            "the command failed", field="run", value=done.stderr[-200:], cure="Measure a checkout whose tests pass."
        )
    return taken
