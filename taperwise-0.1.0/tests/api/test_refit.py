"""A fleet refitted over processes and over a scheduler, with workers lost on the way."""

import json
import os
import signal
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from threading import Event
from typing import Any

import pytest
from distributed import Client as Scheduled
from sqlalchemy import event, select
from typer.testing import CliRunner

from taperwise.api.app import create_app
from taperwise.api.background import stale_answers
from taperwise.api.cli.main import app
from taperwise.api.core.database import Answer, Database
from taperwise.api.core.settings import Settings
from taperwise.api.log.service import Log
from taperwise.api.ownership.erasure import erase_installation
from taperwise.api.recommendations.repository import in_units
from taperwise.api.refit.fleet import refit_fleet
from taperwise.api.refit.work import refit_one
from taperwise.api.refit.workers import Opened, on_processes, on_scheduler
from taperwise.api.schemas.units import Units
from taperwise.model import MODEL_VERSION
from taperwise.model.recommender import Recommender
from taperwise.shared.errors import InvalidValueError
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn
from tests.api.fits import failing, failing_on_a_cluster, from_an_older_worker, lines, slowly
from tests.api.pooling import NEEDLES


def _engine_of(row: Any, statement: str) -> int:
    """The installation an answer is stored for, whichever way the driver passes what is stored."""
    if isinstance(row, dict):
        return int(row.get("installation_id") or row["answers_installation_id"])
    return int(row[0] if statement.lstrip().upper().startswith("INSERT") else row[-1])


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


def due(database: Database, seed: int) -> list[int]:
    """Installations whose stored answer is not of this model, this seed and the log as it is."""
    with database.reading() as session:
        return [each.installation_id for each in stale_answers.stale(session, seed)]


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
        refit_fleet(fleet, 7, partial(on_processes, 2), break_off, slowly)
    assert told[-1] == (5, 12)
    assert len(due(fleet, 7)) == 7
    assert [what for what, _, _ in lines()].count("begun") < 12  # nobody waits for those that were not in hand
    assert refit_fleet(fleet, 7, partial(on_processes, 2), lambda done, of: told.append((done, of)), slowly).stored == 7
    assert told[-1] == (7, 7)
    assert due(fleet, 7) == []
    assert stores == Counter(dict.fromkeys(range(1, 13), 1))
    assert _all_of_this_model(fleet)
    assert refit_fleet(fleet, 7, partial(on_processes, 2), lambda *_: None, slowly).stored == 0


def test_engines_that_fail_keep_no_other_from_being_refitted(fleet: Database, log: Path) -> None:
    """One breaks down, one is killed each time, one the first time only: all but two are stored, those are told."""
    stores = _stores(fleet)
    found = refit_fleet(fleet, 7, partial(on_processes, 2), lambda *_: None, failing)
    assert found.failed == {3: "ArithmeticError: the chains did not meet", 5: found.failed[5]}
    assert "Its worker stopped twice without an error" in found.failed[5]
    assert (found.stored, found.left) == (10, 0)
    assert stores == Counter(dict.fromkeys({*range(1, 13)} - {3, 5}, 1))
    assert due(fleet, 7) == [3, 5]
    begun = Counter(engine for what, engine, _ in lines() if what == "begun")
    assert begun["5"] == begun["12"] == 2


def test_an_answer_of_another_model_is_not_stored(fleet: Database, log: Path) -> None:
    """What workers of an older release answer counts as failed, with both versions and what to do."""
    found = refit_fleet(fleet, 7, partial(on_processes, 2), lambda *_: None, from_an_older_worker)
    assert sorted(found.failed) == due(fleet, 7) == [2, 4, 6]
    assert f"has model version 15, but this release has {MODEL_VERSION}. Install the same release" in found.failed[2]
    assert "has model version unknown" in found.failed[6]
    assert found.stored == 9
    with fleet.reading() as session:
        assert {session.get_one(Answer, number).model_version for number in (2, 4, 6)} == {"0"}


def test_an_interruption_waits_for_the_fits_in_hand_and_keeps_them(
    fleet: Database, log: Path, settings: Settings
) -> None:
    """Ctrl-C reaches the command and its workers: what was begun is ended and stored, nothing more is begun."""
    command = [sys.executable, "-m", "tests.api.interrupted_refit", settings.url]
    quiet: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.DEVNULL, "text": True}
    with subprocess.Popen(command, cwd=Path(__file__).parents[2], start_new_session=True, **quiet) as refit:
        while len(lines()) < 6:  # some have ended by then
            assert refit.poll() is None
            time.sleep(0.02)
        os.killpg(refit.pid, signal.SIGINT)
        said, _ = refit.communicate(timeout=30)
    begun, ended = ({engine for what, engine, _ in lines() if what == each} for each in ("begun", "ended"))
    assert begun == ended
    assert 2 < len(ended) < 12
    assert said == f"{len(ended)} engines refitted; {12 - len(ended)} left, which the next refit takes up.\n"
    assert refit.returncode == 130
    assert due(fleet, Settings().seed) == sorted({*range(1, 13)} - {int(engine) for engine in ended})


def test_an_engine_that_is_erased_meanwhile_stops_nothing(fleet: Database, log: Path) -> None:
    """Its answer is for nobody, and no failure either."""

    def erase(done: int, _of: int) -> None:
        if done == 1:
            with fleet.unit() as session:
                for number in range(1, 13):
                    erase_installation(session, number)

    found = refit_fleet(fleet, 7, partial(on_processes, 1), erase, from_an_older_worker)
    assert (found.stored, sorted(found.failed)) == (1, [2, 4, 6])


@pytest.fixture
def cluster(tmp_path: Path, log: Path) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A real scheduler and two worker processes, as their own commands start them."""
    file = tmp_path / "scheduler.json"
    root = Path(__file__).parents[2]
    env = {**os.environ, "PYTHONPATH": f"{root / '.src'}{os.pathsep}{root}", "PYTHONWARNINGS": "ignore"}
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
        with Scheduled(address, set_as_default=False) as client:
            client.wait_for_workers(2, timeout=30)
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
                written = lines()
                open_ = Counter(n for what, n, pid in written if pid == mine and what == "begun")
                open_.subtract(n for what, n, pid in written if pid == mine and what == "ended")
                if +open_:
                    break
                time.sleep(0.02)
            os.kill(workers[0].pid, signal.SIGKILL)
            killed.extend(+open_)

    assert refit_fleet(fleet, 7, partial(on_scheduler, address), kill_one, slowly).stored == 12
    assert stores == Counter(dict.fromkeys(range(1, 13), 1))
    assert due(fleet, 7) == []
    assert killed, "the worker was idle when it was killed"
    written = lines()
    again = {n for what, n, pid in written if what == "ended" and pid == str(workers[1].pid)}
    assert set(killed) <= again  # what it had begun was ended by the other
    assert {pid for _, _, pid in written} == {str(w.pid) for w in workers}


@pytest.fixture
def strict(monkeypatch: pytest.MonkeyPatch) -> None:
    """A scheduler that gives an engine up with the first worker it costs, and gives each worker one at a time."""
    monkeypatch.setenv("DASK_DISTRIBUTED__SCHEDULER__ALLOWED_FAILURES", "0")
    monkeypatch.setenv("DASK_DISTRIBUTED__SCHEDULER__WORKER_SATURATION", "1.0")


@pytest.mark.slow
@pytest.mark.usefixtures("strict")
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")
def test_engines_that_fail_on_a_cluster_keep_no_other_from_being_refitted(
    fleet: Database, cluster: tuple[str, list[subprocess.Popen[bytes]]]
) -> None:
    """Told to stop, it keeps what is in hand and leaves the rest. Then one breaks down and one costs a worker, and
    once more when it is alone: all others are stored.
    """
    address, workers = cluster
    stop = Event()
    found = refit_fleet(fleet, 8, partial(on_scheduler, address), lambda *_: stop.set(), slowly, stop)
    begun, ended = ({engine for what, engine, _ in lines() if what == each} for each in ("begun", "ended"))
    assert begun == ended
    assert 2 <= len(ended) <= 4
    assert (found.stored, found.failed, found.left) == (len(ended), {}, 12 - len(ended))
    found = refit_fleet(fleet, 7, partial(on_scheduler, address), lambda *_: None, failing_on_a_cluster)
    assert found.failed == {3: "ArithmeticError: the chains did not meet", 5: found.failed[5]}
    assert "Its worker stopped twice without an error" in found.failed[5]
    assert (found.stored, due(fleet, 7)) == (10, [3, 5])
    assert Counter(engine for what, engine, _ in lines() if what == "begun")["5"] == 2
    assert [each.wait(30) for each in workers] == [9, 9]


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nope"])
def test_nobody_at_the_scheduler_is_said(fleet: Database, log: Path, address: str) -> None:
    """An address where no scheduler answers, or that is none, is told in words, and nothing is lost."""
    with pytest.raises(InvalidValueError, match="No scheduler answers at this address"):
        refit_fleet(fleet, 7, partial(on_scheduler, address), lambda *_: None, slowly)
    assert len(due(fleet, 7)) == 12


@pytest.mark.slow
def test_a_worker_answers_as_the_service_does(settings: Settings, recommender: Recommender) -> None:
    """A refit of an engine is the very answer the service would give: chains drawn on one core or two are the same."""
    made = create_app(settings, lambda _seed: recommender)
    with Client(made) as client:
        place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
        answer = client.post(f"{place}/runs", json=RUN).json()["suggestion"]
        database = made.state.database
        with database.unit() as session:
            for row in session.scalars(select(Answer)):
                row.model_version = "0"
        kept: list[dict[str, Any]] = []

        def here(seed: int, log: Log) -> dict[str, Any]:
            kept.append(refit_one(seed, log))
            return kept[-1]

        @contextmanager
        def threads() -> Iterator[Opened]:
            with ThreadPoolExecutor(1) as pool:
                yield pool, lambda: 1

        assert refit_fleet(database, settings.seed, threads, lambda *_: None, here).stored == 1
        brought = in_units(kept[0]["answer"], Units())
        assert brought is not None
        assert client.get(f"{place}/suggestion").json() == brought.model_dump(mode="json") == answer


def test_the_command(fleet: Database, settings: Settings) -> None:
    """The command tells how many were refitted; with nothing to do it is quick."""
    with fleet.unit() as session:
        for row in session.scalars(select(Answer)):
            row.model_version, row.seed = MODEL_VERSION, Settings().seed
    result = CliRunner().invoke(app, ["refit", "--data-folder", str(settings.data_folder)])
    assert result.exit_code == 0, result.output
    assert "0 engines refitted" in result.output


def test_the_command_tells_which_engines_failed(
    fleet: Database, log: Path, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a line for each reason, and in the last line; with status 1."""
    monkeypatch.setattr("taperwise.api.cli.refit.refit_fleet", partial(refit_fleet, work=from_an_older_worker))
    result = CliRunner().invoke(app, ["refit", "--data-folder", str(settings.data_folder)])
    assert result.exit_code == 1, result.output
    assert result.stdout == "9 engines refitted; 3 failed: 2, 4, 6.\n"
    assert "failed: 2, 4: Its worker has model version 15" in result.stderr
    assert "failed: 6: Its worker has model version unknown" in result.stderr
