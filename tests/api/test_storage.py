import subprocess
import sys
import threading
import time
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.migration import MigrationContext
from sqlalchemy import inspect, text

from taperwise.api.app import create_app
from taperwise.api.core.database import Base, Database
from taperwise.api.core.schema_version import newest_schema
from taperwise.api.core.settings import Settings
from taperwise.api.installations.repository import add
from taperwise.api.recommendations import repository
from taperwise.shared.errors import InvalidValueError
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn


def test_the_migration_makes_what_the_code_expects(database: Database) -> None:
    """Tables, columns, types, constraints and indexes are those of the code, and migrating again changes nothing."""
    database.migrate()
    with database.engine.connect() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})
        assert compare_metadata(context, Base.metadata) == []
        assert context.get_current_revision() == newest_schema()


def test_a_difference_would_be_seen(database: Database) -> None:
    """The comparison above is not blind: a column and an index too few are named."""
    with database.engine.begin() as connection:
        connection.exec_driver_sql("DROP INDEX ix_changes_what")
        connection.exec_driver_sql("ALTER TABLE people DROP COLUMN pool_token")
        found = compare_metadata(MigrationContext.configure(connection), Base.metadata)
    assert {each[0] for each in found} == {"add_index", "add_column"}


_TEN = """
import multiprocessing, sys
import alembic.command
from taperwise.api.core.database import Database

def migrate(together):
    database = Database(sys.argv[1])
    together.wait()
    database.migrate()

def all_at_once():
    context = multiprocessing.get_context("fork")
    together = context.Barrier(10)
    ten = [context.Process(target=migrate, args=(together,)) for _ in range(10)]
    for each in ten:
        each.start()
    for each in ten:
        each.join()
    return [each.exitcode for each in ten]

print(all_at_once())
"""


def test_ten_services_migrate_one_empty_database(url: str) -> None:
    """None fails, and the schema is there once; on PostgreSQL nine of ten failed before they took a lock."""
    done = subprocess.run([sys.executable, "-c", _TEN, url], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.strip() == str([0] * 10), done.stderr
    database = Database(url)
    with database.reading() as session:
        assert session.execute(text("SELECT version_num FROM alembic_version")).scalars().all() == [newest_schema()]
        assert set(Base.metadata.tables) < set(inspect(session.connection()).get_table_names())
    database.close()


def test_a_start_with_nothing_to_migrate_does_not_load_what_migrates(tmp_path: Path) -> None:
    """Alembic is imported by the first start alone."""
    script = (
        "import sys; from taperwise.api.core.database import Database; "
        f"Database('sqlite:///{tmp_path / 'kept.db'}').migrate(); "
        "print('alembic' in sys.modules)"
    )
    said = [
        subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout.strip()
        for _ in range(2)
    ]
    assert said == ["True", "False"]


def test_sqlite_is_set_to_lose_nothing(tmp_path: Path) -> None:
    """Write-ahead log, full synchronisation, foreign keys."""
    database = Database(f"sqlite:///{tmp_path / 'new.db'}")
    with database.engine.connect() as connection:
        pragmas = [connection.exec_driver_sql(f"PRAGMA {p}").scalar() for p in ("journal_mode", "synchronous")]
        assert pragmas == ["wal", 2]
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
    database.close()


def _record(client: Client, place: str, failures: list[Any]) -> None:
    for _ in range(5):
        for what, body in (("adjustments", {"kind": "turn_screw", "turns": 0.015625}), ("runs", RUN)):
            answer = client.post(f"{place}/{what}", json=body)
            if answer.status_code != 201 or answer.json()["suggestion"] is None:
                failures.append(answer.text)


def test_many_writers_at_once(url: str, needles: list[dict[str, Any]]) -> None:
    """Every acknowledged entry is there once, and the position is the sum of all turns."""
    failures: list[Any] = []
    with Client(create_app(Settings(database_url=url), StandIn)) as client:
        body = {"needles": needles, "fitted_needle": "taper 30.0"}
        place = client.post("/api/v1/installations", json=body).headers["Location"]
        threads = [threading.Thread(target=_record, args=(client, place, failures)) for _ in range(8)]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
        history = client.get(f"{place}/history").json()
    assert failures == []
    assert [e["sequence"] for e in history["entries"]] == list(range(1, 81))
    assert history["position"]["turns"] == pytest.approx(40 / 64)


@pytest.mark.slow
@pytest.mark.thorough
def test_a_crowd_of_writers(url: str, needles: list[dict[str, Any]]) -> None:
    """A hundred and twenty-eight at once, on two installations: all are recorded, once each, in one order."""
    failures: list[Any] = []
    together = threading.Barrier(128)
    with Client(create_app(Settings(database_url=url), StandIn)) as client:
        made = [client.post("/api/v1/installations", json={"needles": needles[:1]}) for _ in range(2)]
        places = [answer.headers["Location"] for answer in made]

        def write(number: int) -> None:
            together.wait()
            for part in range(3):
                sent = {**RUN, "note": f"{number}-{part}"}
                answer = client.post(f"{places[number % 2]}/runs", json=sent)
                while answer.status_code == 503 and "Retry-After" in answer.headers:  # too many wait: nothing is stored
                    time.sleep(1.0)
                    answer = client.post(f"{places[number % 2]}/runs", json=sent)
                if answer.status_code != 201 or (answer.json()["suggestion"] is None and not answer.json()["warnings"]):
                    failures.append(answer.text)

        threads = [threading.Thread(target=write, args=(number,)) for number in range(128)]
        for t in threads:
            t.start()
        for t in threads:
            t.join()
        histories = [client.get(f"{place}/history").json()["entries"] for place in places]
    assert failures == []
    for which, entries in enumerate(histories):
        assert [e["sequence"] for e in entries] == list(range(1, 64 * 3 + 1))
        wanted = sorted(f"{number}-{part}" for number in range(which, 128, 2) for part in range(3))
        assert sorted(e["run"]["note"] for e in entries) == wanted


def test_any_text_is_kept_as_written(url: str, needles: list[dict[str, Any]]) -> None:
    """Letters of any script, signs, quotes and line breaks come back as they were sent."""
    note = "Öl kalt — “ok” 機体 \U0001f6e9\n'); DROP TABLE entries; --"
    with Client(create_app(Settings(database_url=url), StandIn)) as client:
        place = client.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
        client.post(f"{place}/runs", json={**RUN, "note": note})
        assert client.get(f"{place}/history").json()["entries"][0]["run"]["note"] == note


def test_an_older_answer_never_replaces_a_newer_one(tmp_path: Path) -> None:
    """An answer that comes late, from a shorter log, is dropped."""
    database = Database(f"sqlite:///{tmp_path / 'new.db'}")
    database.migrate()
    with database.unit() as session:
        number = add(session, {}, datetime.now(UTC)).id
        repository.put(session, number, 2, 7, "1", {"of": "two entries"})
        repository.put(session, number, 1, 7, "1", {"of": "one entry"})
    with database.unit() as session:
        kept = repository.get(session, number, 2, 7, "1")
        assert kept is not None
        assert kept["of"] == "two entries"
        assert repository.get(session, number, 1, 7, "1") is None
    database.close()


def test_it_is_all_there_after_a_restart(settings: Settings, client: Client, place: str) -> None:
    """Another service on the same folder reads what the first one stored."""
    client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": 0.125})
    with Client(create_app(settings, StandIn)) as again:
        assert again.get(f"{place}/history").json() == client.get(f"{place}/history").json()


@pytest.mark.parametrize(
    ("url", "cure"),
    [
        ("mysql+pymysql://a:b@127.0.0.1/x", "sqlite:///file.db or postgresql"),
        ("nonsense", "sqlite:///file.db or postgresql"),
        ("sqlite:////dev/null/x/y.db", "TAPERWISE_DATA_FOLDER"),
        ("postgresql+nothing://a:b@127.0.0.1:1/x", "postgres extra"),
        ("postgresql+psycopg://a:b@127.0.0.1:1/x", "Start the database server"),
    ],
)
def test_a_database_that_cannot_be_opened_has_its_own_cure(url: str, cure: str) -> None:
    """The folder is a cure for SQLite alone; the password is not told."""
    with pytest.raises(InvalidValueError) as refused:
        Database(url).migrate()
    assert cure in refused.value.cure
    assert ("TAPERWISE_DATA_FOLDER" in refused.value.cure) == url.startswith("sqlite")
    assert ":b@" not in str(refused.value)
