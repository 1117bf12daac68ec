"""A database of every schema there ever was, with data in it, brought to the latest."""

import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from alembic import command
from alembic.config import Config
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, inspect, text

from api.app import create_app
from api.database import Database, newest_schema
from api.pool.owner import owner_hash
from api.settings import Settings
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn

_NEEDLES = '{"needles": [{"label": "A", "taper_slope": {"value": 30.0, "unit": "mm/m"}}], "name": "an old one"}'
_TURN = '{"kind": "turn_screw", "turns": 0.125}'
_TIME = "2026-05-01 10:00:00"


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", "api:migrations")
    return config


REVISIONS = [each.revision for each in ScriptDirectory.from_config(_config()).walk_revisions()][::-1]


@contextmanager
def _at(url: str, revision: str) -> Iterator[Connection]:
    """A database of an older schema."""
    database = Database(url)
    config = _config()
    with database.engine.connect() as connection:
        config.attributes["connection"] = connection
        command.upgrade(config, revision)
        yield connection
        connection.commit()
    database.close()


def _fill(connection: Connection, revision: str) -> None:
    """What a service of that release could have stored: an installation, two entries, and what its tables hold."""
    there = set(inspect(connection).get_table_names())

    def put(table: str, **row: Any) -> None:
        columns = ", ".join(row)
        connection.execute(text(f"INSERT INTO {table} ({columns}) VALUES ({', '.join(f':{c}' for c in row)})"), row)  # noqa: S608 - names of this test

    put("installations", created_at=_TIME, document=_NEEDLES)
    air = '"air_temperature": {"value": 20, "unit": "degC"}, "pressure": {"value": 992, "unit": "hPa"}'
    run = f'{{{air}, "idle_quality": 3}}'
    for sequence, kind, document in ((1, "run", run), (2, "adjustment", _TURN)):
        put("entries", installation_id=1, sequence=sequence, kind=kind, happened_at=_TIME, recorded_at=_TIME,
            document=document)  # fmt: skip
    if "corrections" in there:
        put("corrections", entry_id=2, recorded_at=_TIME, reason="it was a quarter",
            document='{"kind": "turn_screw", "turns": 0.25}')  # fmt: skip
    if "traces" in there:
        put("traces", entry_id=1, sent='{"csv": "x"}', read="[]")
    if "notes" in there:
        put("notes", installation_id=1, written_at=_TIME, author="somebody", text="gasket")
    if "engine_priors" in there:
        put("engine_priors", installation_id=1, owner="0" * 32)
    put("answers", installation_id=1, sequence=2, seed=1, model_version="0", document="{}")


@pytest.mark.parametrize("revision", REVISIONS)
def test_what_was_stored_is_there_and_goes_on(url: str, revision: str, tmp_path: Path) -> None:
    """Nothing is lost or changed, and the log takes another run."""
    with _at(url, revision) as connection:
        _fill(connection, revision)
        before = {
            table: connection.execute(text(f"SELECT count(*) FROM {table}")).scalar()  # noqa: S608 - as above
            for table in inspect(connection).get_table_names()
        }
    with Client(create_app(Settings(data_folder=tmp_path, database_url=url), StandIn)) as client:
        at = "/api/v1/installations/1"
        assert client.get(at).json()["installation"]["name"] == "an old one"
        history = client.get(f"{at}/history").json()
        assert [e["kind"] for e in history["entries"]] == ["run", "adjustment"]
        assert history["position"]["turns"] == (0.25 if "corrections" in before else 0.125)
        assert [n["text"] for n in client.get(f"{at}/notes").json()] == (["gasket"] if "notes" in before else [])
        assert client.post(f"{at}/runs", json=RUN).status_code == 201
        assert client.get(f"{at}/suggestion").status_code == 200
    database = Database(url)
    with database.reading() as session:
        for table, count in before.items():
            if table not in ("alembic_version", "entries", "changes", "leases", "earlier_fits"):
                assert session.execute(text(f"SELECT count(*) FROM {table}")).scalar() == count, table  # noqa: S608
    database.close()


def test_what_a_person_had_contributed_becomes_one_owners(url: str) -> None:
    """Two engines with a token each are one person's after all; another person's stays apart."""
    with _at(url, "0008") as connection:
        for number in (1, 2):
            connection.execute(
                text("INSERT INTO people (id, name, roles, created_at) VALUES (:n, :name, '[]', :at)"),
                {"n": number, "name": f"person {number}", "at": _TIME},
            )
        for number, owner in ((1, 1), (2, 1), (3, 2)):
            told = {"n": number, "owner": owner, "at": _TIME, "document": _NEEDLES, "token": str(number) * 32}
            for statement in (
                "INSERT INTO installations (id, owner_id, created_at, document) VALUES (:n, :owner, :at, :document)",
                "INSERT INTO engine_priors (installation_id, owner) VALUES (:n, :token)",
                "INSERT INTO pool_contributions (installation_id, owner, digest, contributed_at) "
                "VALUES (:n, :token, :token, :at)",
            ):
                connection.execute(text(statement), told)
    database = Database(url)
    database.migrate()
    with database.reading() as session:
        owners = session.execute(text("SELECT owner FROM pool_contributions ORDER BY installation_id")).scalars().all()
        tokens = session.execute(text("SELECT pool_token FROM people ORDER BY id")).scalars().all()
        kept = session.execute(text("SELECT owner FROM engine_priors ORDER BY installation_id")).scalars().all()
    database.close()
    assert kept == [tokens[0], tokens[0], tokens[1]]
    assert owners == [owner_hash(token) for token in kept]


def test_every_schema_is_tried() -> None:
    """From the first to the one before the latest, and the latest itself."""
    assert len(REVISIONS) == len(list(Path("api/migrations/versions").glob("r*.py")))
    assert newest_schema() == REVISIONS[-1]


def test_what_is_of_the_latest_schema_is_opened_without_looking_further(tmp_path: Path) -> None:
    """A start with nothing to upgrade does not load what upgrades; one with a revision to go does."""
    url = f"sqlite:///{tmp_path / 'kept.db'}"
    script = (
        f"import sys; from api.database import Database; Database({url!r}).migrate(); print('alembic' in sys.modules)"
    )

    def loads() -> str:
        done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
        return done.stdout.strip()

    assert loads() == "True"
    assert loads() == "False"
    with _at(url, "head") as connection:
        config = _config()
        config.attributes["connection"] = connection
        command.downgrade(config, REVISIONS[-2])
    assert loads() == "True"
    assert loads() == "False"
