import threading
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import inspect
from starlette.testclient import TestClient

from api.database import Base, Database
from api.settings import Settings


def test_migrations_make_what_the_code_expects(tmp_path: Path) -> None:
    """The migrated schema has every table and column of the code, and migrating again changes nothing."""
    database = Database(f"sqlite:///{tmp_path / 'a' / 'new.db'}")
    database.migrate()
    database.migrate()
    found = inspect(database.engine)
    for table in Base.metadata.sorted_tables:
        columns = {c["name"]: c["nullable"] for c in found.get_columns(table.name)}
        assert columns == {c.name: bool(c.nullable) for c in table.columns}
    database.close()


def test_sqlite_is_set_to_lose_nothing(tmp_path: Path) -> None:
    """Write-ahead log, full synchronisation, foreign keys."""
    database = Database(f"sqlite:///{tmp_path / 'new.db'}")
    with database.engine.connect() as connection:
        pragmas = [connection.exec_driver_sql(f"PRAGMA {p}").scalar() for p in ("journal_mode", "synchronous")]
        assert pragmas == ["wal", 2]
        assert connection.exec_driver_sql("PRAGMA foreign_keys").scalar() == 1
    database.close()


def test_many_writers_at_once(client: TestClient, place: str) -> None:
    """Every acknowledged adjustment is there once, and the position is their sum."""
    failures: list[Any] = []

    def write() -> None:
        for _ in range(5):
            answer = client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": 0.015625})
            if answer.status_code != 201:
                failures.append(answer.text)

    threads = [threading.Thread(target=write) for _ in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    history = client.get(f"{place}/history").json()
    assert failures == []
    assert [e["sequence"] for e in history["entries"]] == list(range(1, 41))
    assert history["position"]["turns"] == pytest.approx(40 / 64)


def test_it_is_all_there_after_a_restart(settings: Settings, client: TestClient, place: str) -> None:
    """Another service on the same folder reads what the first one stored."""
    from api.app import create_app
    from tests.api.conftest import StandIn

    client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": 0.125})
    with TestClient(create_app(settings, StandIn)) as again:
        assert again.get(f"{place}/history").json() == client.get(f"{place}/history").json()
