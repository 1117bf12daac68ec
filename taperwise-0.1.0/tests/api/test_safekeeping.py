"""Backups show a state that truly was, come back exactly, and are refused when they are damaged."""

import sqlite3
import subprocess
import sys
import threading
import zlib
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text
from typer.testing import CliRunner

from taperwise.api.app import create_app
from taperwise.api.backup import rows
from taperwise.api.backup.backup import back_up
from taperwise.api.backup.restore import restore
from taperwise.api.backup.sealed_file import Contents, wrap
from taperwise.api.cli.main import app
from taperwise.api.core.database import Database
from taperwise.api.core.settings import Settings
from taperwise.shared.errors import ConflictError, InvalidValueError
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn
from tests.api.pooling import owned


def _figures(database: Database) -> rows.TableFigures:
    with database.reading() as session:
        return rows.digests(session.connection())


@pytest.fixture
def client_there(url: str, needles: list[dict[str, Any]]) -> Iterator[Client]:
    """A service with something in most of its tables."""
    with Client(create_app(Settings(database_url=url), StandIn)) as client:
        for _ in range(2):
            place = client.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
            assert client.post(f"{place}/prior", json={"prior": "expert"}).status_code == 201
            client.post(f"{place}/runs", json={**RUN, "note": "Öl kalt — “ok” 機体 \U0001f6e9"})
            client.post(f"{place}/runs", json={**RUN, "note": "mistyped"})
            client.post(f"{place}/entries/2/corrections", json={"reason": "twice", "void": True})
            client.post(f"{place}/notes", json={"text": "look at the gasket"})
        owned(client, place)
        assert client.post(f"{place}/contribution", json={"consent": True}).status_code == 201
        yield client


@pytest.fixture
def filled(client_there: Client) -> Database:
    """Its database."""
    database: Database = client_there.app.state.database  # type: ignore[attr-defined] - the client hides the type
    return database


@pytest.fixture
def other(tmp_path: Path, request: pytest.FixtureRequest) -> Callable[[str], Database]:
    """Makes an empty database of one kind or the other."""

    def make(kind: str) -> Database:
        if kind == "sqlite":
            made = Database(f"sqlite:///{tmp_path / 'other' / 'new.db'}")
        else:
            made = Database(request.getfixturevalue("another_postgres"))
        made.migrate()
        request.addfinalizer(made.close)
        return made

    return make


@pytest.mark.parametrize("kind", ["sqlite", "postgresql"])
def test_it_comes_back_exactly(
    filled: Database, client_there: Client, other: Callable[[str], Database], tmp_path: Path, kind: str
) -> None:
    """From either kind of database into either: the same rows, the same history, and new numbers go on behind them."""
    target = other(kind)
    made = back_up(filled, tmp_path / "all.backup")
    assert made.tables == _figures(filled)
    assert {name for name, (count, _) in made.tables.items() if count} >= {
        "installations", "entries", "corrections", "notes", "answers", "pool_contributions", "engine_priors",
    }  # fmt: skip
    assert restore(tmp_path / "all.backup", target, tmp_path) == made
    assert _figures(target) == made.tables
    back_up(target, tmp_path / "again.backup")
    address = target.engine.url.render_as_string(hide_password=False)
    with Client(create_app(Settings(database_url=address), StandIn)) as client:
        for end in ("/history", "/suggestion", "/notes", "/contribution"):
            place = f"/api/v1/installations/2{end}"
            assert client.get(place).json() == client_there.get(place).json()
        assert client.post("/api/v1/installations/2/runs", json=RUN).json()["run"]["id"] == 5
        assert client.post("/api/v1/installations/2/notes", json={"text": "x"}).status_code == 201
    assert list(tmp_path.glob(".taperwise-*")) == []


def test_a_backup_under_way_shows_a_state_that_was(
    client_there: Client, filled: Database, other: Callable[[str], Database], tmp_path: Path
) -> None:
    """Two writers that write by turns here and there: every backup holds as many here as there, or one more here."""
    stop = threading.Event()

    def write() -> None:
        while not stop.is_set():
            for number in (1, 2):
                turn = {"kind": "turn_idle_stop", "turns": 0.015625}
                assert client_there.post(f"/api/v1/installations/{number}/adjustments", json=turn).status_code == 201

    writer = threading.Thread(target=write)
    writer.start()
    found = []
    try:
        for i in range(4):
            back_up(filled, tmp_path / f"{i}.backup")
    finally:
        stop.set()
        writer.join()
    for i in range(4):
        target = Database(f"sqlite:///{tmp_path / str(i) / 'new.db'}")
        target.migrate()
        restore(tmp_path / f"{i}.backup", target, tmp_path)
        with target.reading() as session:
            query = text("SELECT sequence FROM entries WHERE installation_id = :n ORDER BY sequence")
            here, there = (list(session.scalars(query, {"n": n})) for n in (1, 2))
        target.close()
        assert here == list(range(1, len(here) + 1))
        assert there == list(range(1, len(there) + 1))
        assert len(here) - len(there) in (0, 1)
        found.append(len(here))
    assert found == sorted(found)
    assert found[0] < found[-1], "nobody wrote while the backups were made"


@pytest.fixture
def small(client: Client, place: str, tmp_path: Path) -> Path:
    """A backup of a small database."""
    client.post(f"{place}/runs", json=RUN)
    file = tmp_path / "small.backup"
    back_up(client.app.state.database, file)  # type: ignore[attr-defined] - as above
    return file


def test_a_damaged_file_is_refused(small: Path, other: Callable[[str], Database], tmp_path: Path) -> None:
    """Cut short anywhere, or any one byte changed: it is refused by name, and nothing is stored."""
    target, whole, damaged = other("sqlite"), small.read_bytes(), tmp_path / "damaged.backup"
    cuts = [whole[:n] for n in (0, 10, 86, 100, len(whole) // 2, len(whole) - 1)]
    places = [*range(0, 90, 7), *range(90, len(whole), len(whole) // 40)]
    flips = [whole[:at] + bytes([whole[at] ^ 0x10]) + whole[at + 1 :] for at in places]
    for content in [*cuts, *flips, whole + b"x"]:
        damaged.write_bytes(content)
        with pytest.raises(InvalidValueError, match="cannot be used") as refused:
            restore(damaged, target, tmp_path)
        assert refused.value.value == "damaged.backup"
    with target.reading() as session:
        assert rows.counted_rows(session.connection()) == 0
    restore(small, target, tmp_path)


def _unpacked(small: Path, into: Path) -> dict[str, Any]:
    import json

    _, said, body = small.read_bytes().split(b"\n", 2)
    into.write_bytes(zlib.decompress(body))
    document: dict[str, Any] = json.loads(said)
    return document


@pytest.mark.parametrize(
    ("change", "why"),
    [
        ("UPDATE entries SET sequence = 7", "do not match the database"),
        ("UPDATE entries SET installation_id = 99", "damaged"),
        ("UPDATE alembic_version SET version_num = '9999'", "newer release"),
        ("DELETE FROM answers", "do not match the database"),
    ],
)
def test_contents_are_compared_too(
    small: Path, other: Callable[[str], Database], tmp_path: Path, change: str, why: str
) -> None:
    """A file whose checksum fits, but whose rows are not those it tells of, is refused all the same."""
    said = _unpacked(small, tmp_path / "changed.db")
    with closing(sqlite3.connect(tmp_path / "changed.db")) as plain:
        plain.execute(change)
        plain.commit()
    schema = "9999" if "9999" in change else said["schema"]
    figures = {name: (count, digest) for name, (count, digest) in said["tables"].items()}
    wrap(
        tmp_path / "changed.db",
        Contents(said["made_at"], said["release"], schema, figures),
        tmp_path / "changed.backup",
    )
    with pytest.raises(InvalidValueError, match=why):
        restore(tmp_path / "changed.backup", other("sqlite"), tmp_path)


def test_nothing_is_overwritten(small: Path, client: Client, tmp_path: Path) -> None:
    """Neither a file by a backup nor a database by a restore."""
    database: Database = client.app.state.database  # type: ignore[attr-defined] - as above
    before = small.read_bytes()
    with pytest.raises(InvalidValueError, match="A file of this name exists"):
        back_up(database, small)
    with pytest.raises(ConflictError, match="Nothing was changed"):
        restore(small, database, tmp_path)
    assert small.read_bytes() == before
    assert client.get("/api/v1/installations").json()["total"] == 1


def test_a_backup_that_went_wrong_is_none(
    client: Client, place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is compared before it gets its name: what does not fit leaves no file."""
    real = rows.digests

    def wrong(connection: Any) -> rows.TableFigures:
        return {**real(connection), "notes": (1, "")} if "data" in str(connection.engine.url) else real(connection)

    monkeypatch.setattr(rows, "digests", wrong)
    database = Database(f"sqlite:///{tmp_path / 'data' / 'x.db'}")
    database.migrate()
    with pytest.raises(InvalidValueError, match="do not match the database"):
        back_up(database, tmp_path / "wrong.backup")
    database.close()
    assert not (tmp_path / "wrong.backup").exists()


def test_a_table_of_somebody_else_is_not_left_out_in_silence(database: Database, tmp_path: Path) -> None:
    """A database that holds more than this program's tables is not backed up by halves."""
    with database.unit() as session:
        session.execute(text("CREATE TABLE hangars (id integer primary key)"))
    with pytest.raises(InvalidValueError, match="tables of another program"):
        back_up(database, tmp_path / "x.backup")


def test_the_commands(client: Client, place: str, settings: Settings, tmp_path: Path) -> None:
    """Backed up and restored by command, with the refusal in words."""
    client.post(f"{place}/runs", json=RUN)
    file, run = str(tmp_path / "by.backup"), CliRunner().invoke
    done = run(app, ["backup", file, "--data-folder", str(settings.data_folder)])
    assert done.exit_code == 0, done.output
    restored = run(app, ["restore", file, "--data-folder", str(tmp_path / "new")])
    assert restored.exit_code == 0, restored.output
    assert "compared" in restored.output
    again = run(app, ["restore", file, "--data-folder", str(tmp_path / "new")])
    assert isinstance(again.exception, ConflictError)
    nowhere = run(app, ["backup", str(tmp_path / "no" / "x"), "--data-folder", str(settings.data_folder)])
    assert isinstance(nowhere.exception, InvalidValueError)


def test_a_backup_knows_every_table_of_the_service() -> None:
    """A table that only the running service knows would be refused as tables of another program."""
    script = (
        "import taperwise.api.backup.rows as rows\n"
        "known = set(rows.Base.metadata.tables)\n"
        "import taperwise.api.app\n"
        "print(sorted(set(rows.Base.metadata.tables) - known), len(known) > 10)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[] True"
