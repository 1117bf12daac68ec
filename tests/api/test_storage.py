import threading
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import inspect

from api.advice import storage
from api.app import create_app
from api.database import Base, Database
from api.installations.storage import add
from api.settings import Settings
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn


def test_migrations_make_what_the_code_expects(url: str) -> None:
    """The migrated schema has every table and column of the code, and migrating again changes nothing."""
    database = Database(url)
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
                answer = client.post(f"{places[number % 2]}/runs", json={**RUN, "note": f"{number}-{part}"})
                if answer.status_code != 201 or answer.json()["suggestion"] is None:
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
        storage.put(session, number, 2, 7, "1", {"of": "two entries"})
        storage.put(session, number, 1, 7, "1", {"of": "one entry"})
    with database.unit() as session:
        assert storage.get(session, number, 2, 7, "1") == {"of": "two entries"}
        assert storage.get(session, number, 1, 7, "1") is None
    database.close()


def test_it_is_all_there_after_a_restart(settings: Settings, client: Client, place: str) -> None:
    """Another service on the same folder reads what the first one stored."""
    client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": 0.125})
    with Client(create_app(settings, StandIn)) as again:
        assert again.get(f"{place}/history").json() == client.get(f"{place}/history").json()
