"""A disk that is full keeps nobody from reading, and says what to do."""

import errno
import subprocess
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from sqlalchemy.exc import DBAPIError, OperationalError

from taperwise.api.app import create_app
from taperwise.api.core.database import Database
from taperwise.api.core.settings import Settings
from taperwise.api.core.storage_failures import is_disk_full
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn
from tests.api.everything_on import sqlite_only


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of two mebibytes."""
    disk = tmp_path / "disk"
    disk.mkdir()
    command = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(disk)]
    try:
        mounted = subprocess.run(command, capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("there is no mount command")
    if mounted.returncode:
        pytest.skip(f"mounting is not permitted: {mounted.stderr.strip()}")
    yield disk
    subprocess.run(["umount", "-l", str(disk)], check=True)  # noqa: S607 - wherever it is


def _fill(disk: Path) -> Path:
    filler = disk / "filler"
    with filler.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(b"x" * 4096)
        except OSError as error:
            assert error.errno == errno.ENOSPC
    return filler


@sqlite_only
def test_a_full_disk_refuses_writing_and_serves_reading(small_disk: Path, needles: list[dict[str, Any]]) -> None:
    """507 with a cure for what would be stored, by API and page; reading and answering go on; nothing is lost."""
    settings = Settings(data_folder=small_disk, database_url="")
    with Client(create_app(settings, StandIn), raise_server_exceptions=False) as client:
        place = client.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
        page = place.removeprefix("/api/v1")
        acknowledged = 0
        for _ in range(3):
            acknowledged += client.post(f"{place}/runs", json=RUN).status_code == 201
        filler = _fill(small_disk)
        refused = None
        for _ in range(200):  # what is left inside the files that are there goes first
            answer = client.post(f"{place}/runs", json={**RUN, "note": "x" * 900})
            if answer.status_code != 201:
                refused = problem(answer, 507)
                break
            acknowledged += 1
        assert refused is not None
        assert "Free some space" in refused["detail"]
        assert "Nothing was stored" in refused["detail"]
        form = {"kind": "turn_screw", "turns": "0.125", "note": "x" * 900}
        told = client.post(f"{page}/adjust", data=form, headers={"origin": "http://testserver"})
        assert (told.status_code, "Free some space" in told.text) == (507, True)
        for address in (
            f"{place}/history",
            f"{place}/suggestion",
            f"{place}/whatif",
            f"{place}/export",
            page,
            "/readyz",
        ):
            if address == "/readyz":
                client.app.state.desk.prepare()  # type: ignore[attr-defined] - the client hides the type
            assert client.get(address).status_code == 200, address
        assert len(client.get(f"{place}/history").json()["entries"]) == acknowledged
        assert 'taperwise_failures_total{kind="disk_full"} 2.0' in client.get("/metrics").text
        filler.unlink()
        assert client.post(f"{place}/runs", json={**RUN, "note": "x" * 900}).status_code == 201
        history = client.get(f"{place}/history").json()["entries"]
        assert [entry["sequence"] for entry in history] == list(range(1, acknowledged + 2))
    with closing(Database(settings.url)) as database, database.reading() as session:
        assert session.scalar(text("PRAGMA integrity_check")) == "ok"


def test_a_run_whose_answer_finds_no_room_is_answered_all_the_same(
    client: Client, place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last entry that fitted is recorded and answered, though the answer could not be kept."""

    class FullError(Exception):
        sqlite_errorcode = 13

    def fails(*_args: object) -> None:
        raise OperationalError("INSERT", {}, FullError())

    monkeypatch.setattr("taperwise.api.recommendations.repository.put", fails)
    answer = client.post(f"{place}/runs", json=RUN)
    assert answer.status_code == 201
    assert answer.json()["suggestion"] is not None


def test_a_file_that_finds_no_room_is_told_too(client: Client, place: str, stand_in: StandIn) -> None:
    """Also where it was no database that ran out of space; another failure of the system is not called that."""
    stand_in.failure = OSError(errno.ENOSPC, "No space left on device")
    assert "Free some space" in problem(client.get(f"{place}/suggestion"), 507)["detail"]
    assert client.get(f"{place}/whatif").status_code == 507
    stand_in.failure = OSError(errno.EIO, "Input/output error")
    problem(client.get(f"{place}/suggestion"), 500)


def test_what_is_no_full_disk(database: Database) -> None:
    """A mistake in a statement is none, on either database."""
    with pytest.raises(DBAPIError) as failed, database.unit() as session:
        session.execute(text("SELECT nonsense FROM nowhere"))
    assert not is_disk_full(failed.value)


def test_a_database_that_is_busy_says_when_to_come_back(
    client: Client, place: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """503 with Retry-After, on the API and on a page."""

    def fails(*_args: object, **_more: object) -> None:
        raise OperationalError("SELECT", {}, Exception("database is locked"))

    monkeypatch.setattr("taperwise.api.installations.repository.get", fails)
    answer = client.post(f"{place}/runs", json=RUN)
    problem(answer, 503)
    assert int(answer.headers["Retry-After"]) > 0
    page = client.get(place.removeprefix("/api/v1"))
    assert page.status_code == 503
    assert int(page.headers["Retry-After"]) > 0
