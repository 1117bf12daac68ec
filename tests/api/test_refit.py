"""A fleet refitted over processes and over a scheduler, with workers lost on the way."""

import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event, select
from typer.testing import CliRunner

from api.app import create_app
from api.cli.main import app
from api.database import Answer, Database
from api.refit.fleet import due, on_processes, on_scheduler, refit_fleet
from api.refit.work import Order, refit_one
from api.settings import Settings
from model import MODEL_VERSION
from model.advisor import Advisor
from shared.errors import InvalidValueError
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn
from tests.api.pooling import NEEDLES


def _engine_of(row: Any, statement: str) -> int:
    """The installation an answer is stored for, whichever way the driver passes what is stored."""
    if isinstance(row, dict):
        return int(row.get("installation_id") or row["answers_installation_id"])
    return int(row[0] if statement.lstrip().upper().startswith("INSERT") else row[-1])


def slowly(order: Order) -> dict[str, Any]:
    """Stands in for a fit: takes a while, and leaves a line for every beginning and every end."""
    log = Path(os.environ["REFIT_TEST_LOG"])
    with log.open("a") as f:
        f.write(f"begun {order.installation_id} {os.getpid()}\n")
    time.sleep(0.4)
    with log.open("a") as f:
        f.write(f"ended {order.installation_id} {os.getpid()}\n")
    return {"made for": order.installation_id, "entries": len(order.entries)}


@pytest.fixture
def log(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Where workers leave their lines."""
    path = tmp_path / "work.log"
    monkeypatch.setenv("REFIT_TEST_LOG", str(path))
    return path


@pytest.fixture
def fleet(settings: Settings) -> Iterator[Database]:
    """Twelve engines of which nothing is fitted with this model; the first with a correction."""
    made = create_app(settings, StandIn)
    with Client(made) as client:
        for i in range(12):
            place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
            for _ in range(1 + i % 3):
                client.post(f"{place}/runs", json=RUN)
        client.post("/api/v1/installations/1/entries/1/corrections", json={"reason": "mistyped", "void": True})
        database = made.state.database
        with database.unit() as session:
            for row in session.scalars(select(Answer)):
                row.model_version = "0"
        yield database


def _stores(database: Database) -> Counter[int]:
    """Counts every answer that is written, by installation, as the database sees it."""
    counted: Counter[int] = Counter()

    @event.listens_for(database.engine, "before_cursor_execute")
    def _seen(_c: Any, _cursor: Any, statement: str, parameters: Any, _context: Any, _many: bool) -> None:
        if statement.lstrip().upper().startswith(("INSERT INTO ANSWERS", "UPDATE ANSWERS")):
            rows = parameters if isinstance(parameters, list) else [parameters]
            for row in rows:
                counted[_engine_of(row, statement)] += 1

    return counted


def _all_of_this_model(database: Database) -> bool:
    with database.unit() as session:
        return all(row.model_version == MODEL_VERSION for row in session.scalars(select(Answer)))


def test_a_fleet_is_refitted_over_processes_and_goes_on_where_it_stopped(fleet: Database, log: Path) -> None:
    """Every engine once, with progress; a run that is broken off half-way leaves the rest to the next."""
    told: list[tuple[int, int]] = []
    stores = _stores(fleet)

    class _BrokenOffError(Exception):
        pass

    def break_off(done: int, of: int) -> None:
        told.append((done, of))
        if done == 5:
            raise _BrokenOffError

    with pytest.raises(_BrokenOffError):
        refit_fleet(fleet, 7, on_processes(2), break_off, slowly)
    assert told[-1] == (5, 12)
    assert len(due(fleet, 7)) == 7
    assert refit_fleet(fleet, 7, on_processes(2), lambda done, of: told.append((done, of)), slowly) == 7
    assert told[-1] == (7, 7)
    assert due(fleet, 7) == []
    assert stores == Counter(dict.fromkeys(range(1, 13), 1))
    assert _all_of_this_model(fleet)
    assert refit_fleet(fleet, 7, on_processes(2), lambda *_: None, slowly) == 0


@pytest.fixture
def cluster(tmp_path: Path, log: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A real scheduler and two worker processes, as their own commands start them."""
    file = tmp_path / "scheduler.json"
    env = {**os.environ, "PYTHONPATH": str(Path(__file__).parents[2]), "PYTHONWARNINGS": "ignore"}
    quiet: dict[str, Any] = {"env": env, "cwd": tmp_path, "stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    scheduler = [sys.executable, "-m", "distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0"]
    worker = [sys.executable, "-m", "distributed.cli.dask_worker", "--scheduler-file", str(file), "--nthreads", "1"]
    started = [subprocess.Popen([*scheduler, "--no-dashboard", "--scheduler-file", str(file)], **quiet)]
    try:
        for _ in range(300):
            if file.exists() and file.read_text().strip().endswith("}"):
                break
            time.sleep(0.1)
        address = json.loads(file.read_text())["address"]
        options = ["--no-nanny", "--no-dashboard", "--host", "127.0.0.1"]
        started += [subprocess.Popen([*worker, *options], **quiet) for _ in range(2)]
        yield address, started[1:]
    finally:
        for process in reversed(started):
            process.kill()
            process.wait()


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_a_worker_killed_half_way_costs_no_engine(
    fleet: Database, log: Path, cluster: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    """A real scheduler and two workers, one killed in the middle of an engine: each is refitted, and stored once."""
    address, workers = cluster
    stores, killed = _stores(fleet), []

    def kill_one(done: int, of: int) -> None:
        if done == 4:
            mine = str(workers[0].pid)
            for _ in range(200):  # until it has begun an engine that it has not ended
                lines = [x.split() for x in log.read_text().splitlines()]
                open_ = Counter(n for what, n, pid in lines if pid == mine and what == "begun")
                open_.subtract(n for what, n, pid in lines if pid == mine and what == "ended")
                if +open_:
                    break
                time.sleep(0.02)
            os.kill(workers[0].pid, signal.SIGKILL)
            killed.extend(+open_)

    assert refit_fleet(fleet, 7, on_scheduler(address), kill_one, slowly) == 12
    assert stores == Counter(dict.fromkeys(range(1, 13), 1))
    assert due(fleet, 7) == []
    assert killed, "the worker was idle when it was killed"
    lines = [x.split() for x in log.read_text().splitlines()]
    again = {n for what, n, pid in lines if what == "ended" and pid == str(workers[1].pid)}
    assert set(killed) <= again  # what it had begun was ended by the other
    assert {pid for _, _, pid in lines} == {str(w.pid) for w in workers}


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nope"])
def test_nobody_at_the_scheduler_is_said(fleet: Database, log: Path, address: str) -> None:
    """An address where no scheduler answers, or that is none, is told in words, and nothing is lost."""
    with pytest.raises(InvalidValueError, match="no scheduler answers there"):
        refit_fleet(fleet, 7, on_scheduler(address), lambda *_: None, slowly)
    assert len(due(fleet, 7)) == 12


@pytest.mark.slow
def test_a_worker_answers_as_the_service_does(settings: Settings, settling: Advisor) -> None:
    """A refit of an engine is the very answer the service would give: chains drawn on one core or two are the same."""
    made = create_app(settings, lambda _seed: settling)
    with Client(made) as client:
        place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
        answer = client.post(f"{place}/runs", json=RUN).json()["suggestion"]
        database = made.state.database
        with database.unit() as session:
            for row in session.scalars(select(Answer)):
                row.model_version = "0"
        kept: list[dict[str, Any]] = []

        def here(orders: list[Order], work: Any) -> Iterator[tuple[Order, dict[str, Any]]]:
            for order in orders:
                kept.append(refit_one(order))
                yield order, kept[-1]

        assert refit_fleet(database, settings.seed, here, lambda *_: None) == 1
        assert client.get(f"{place}/suggestion").json() == kept[0] == answer


def test_the_command(fleet: Database, settings: Settings) -> None:
    """The command tells how many were refitted; with nothing to do it is quick."""
    with fleet.unit() as session:
        for row in session.scalars(select(Answer)):
            row.model_version, row.seed = MODEL_VERSION, Settings().seed
    result = CliRunner().invoke(app, ["refit", "--data-folder", str(settings.data_folder)])
    assert result.exit_code == 0, result.output
    assert "0 engines refitted" in result.output
