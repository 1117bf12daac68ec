"""A service that is killed in the middle of writing loses nothing it acknowledged, and doubles nothing."""

import json
import os
import random
import subprocess
import sys
import threading
from collections import Counter
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Any

import httpx2
import pytest
from sqlalchemy import text

from taperwise.api.core.database import Database
from tests.api.asking import RUN

WRITERS = 16


@contextmanager
def _served(folder: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    command = [sys.executable, "-m", "tests.api.hurt.stand_in_server", str(folder)]
    root = Path(__file__).parents[3]
    environment = {**os.environ, "PYTHONPATH": f"{root / '.src'}{os.pathsep}{root}"}
    with (folder / "log").open("a") as log:
        process = subprocess.Popen(command, env=environment, stdout=subprocess.PIPE, stderr=log, text=True)
    try:
        assert process.stdout is not None
        port = process.stdout.readline().strip()
        assert port, (folder / "log").read_text()[-3000:]
        yield f"http://127.0.0.1:{port}", process
    finally:
        process.kill()
        process.wait()
        process.stdout.close()


class _Writers:
    """Sixteen at once, until the service is gone; they remember what was acknowledged, and what was not answered."""

    def __init__(self, url: str, place: str, number: int, kill_after: int, process: subprocess.Popen[str]) -> None:
        self.acknowledged: list[str] = []
        self.unanswered: list[str] = []
        self.refused: list[str] = []
        self._url, self._place, self._number = url, place, number
        self._kill_after, self._process, self._lock = kill_after, process, threading.Lock()

    def work(self) -> None:
        threads = [threading.Thread(target=self._write, args=(i,)) for i in range(WRITERS)]
        for each in threads:
            each.start()
        for each in threads:
            each.join()

    def _write(self, writer: int) -> None:
        with httpx2.Client(base_url=self._url, timeout=60) as client:
            for i in range(1000):
                key = f"round-{self._number}-{writer}-{i}"
                try:
                    answer = send(client, self._place, key)
                except httpx2.TransportError:
                    with self._lock:
                        self.unanswered.append(key)
                    return
                with self._lock:
                    (self.acknowledged if answer.status_code == 201 else self.refused).append(key)
                    if len(self.acknowledged) == self._kill_after:
                        self._process.kill()


def send(client: httpx2.Client, place: str, key: str) -> httpx2.Response:
    """Record a run that can be told from all others."""
    return client.post(f"{place}/runs", json={**RUN, "note": key}, headers={"Idempotency-Key": key})


@pytest.mark.slow
@pytest.mark.parametrize("rounds", [3, pytest.param(10, marks=pytest.mark.thorough(daily=False))])
def test_killed_again_and_again(tmp_path: Path, needles: list[dict[str, Any]], rounds: int) -> None:
    """Again and again killed under sixteen writers: what was acknowledged is there once, also what was sent again."""
    chance = random.Random(20_260_101)  # noqa: S311 - when to kill
    acknowledged: list[str] = []
    unanswered: list[tuple[str, str]] = []
    for number in range(rounds):
        with _served(tmp_path) as (url, process):
            with httpx2.Client(base_url=url, timeout=60) as client:
                for place, key in unanswered:  # with its key it may be sent again, whether it was stored or not
                    assert send(client, place, key).status_code == 201
                    acknowledged.append(key)
                place = client.post(
                    "/api/v1/installations",
                    json={"needles": needles[:1]},
                    headers={"Idempotency-Key": f"set-up-{number:03d}"},
                ).headers["Location"]
            writers = _Writers(url, place, number, chance.randint(5, 60), process)
            writers.work()
        assert writers.refused == []
        assert writers.unanswered, "it was killed while nobody wrote"
        acknowledged += writers.acknowledged
        unanswered = [(place, key) for key in writers.unanswered]
    assert len(acknowledged) > rounds * 5
    with closing(Database(f"sqlite:///{tmp_path / 'taperwise.db'}")) as database, database.reading() as session:
        assert session.scalar(text("PRAGMA integrity_check")) == "ok"
        assert session.execute(text("PRAGMA foreign_key_check")).all() == []
        rows = session.execute(text("SELECT installation_id, sequence, document FROM entries")).all()
        sent = session.scalars(text("SELECT key FROM idempotency_keys WHERE operation LIKE '%/runs'")).all()
    kept = Counter(json.loads(row.document)["note"] for row in rows)
    assert set(sent) == set(kept), "an entry without its key, or a key without its entry"
    assert set(kept.values()) == {1}
    assert set(acknowledged) <= set(kept)
    assert set(kept) <= set(acknowledged) | {key for _, key in unanswered}
    for installation in {row.installation_id for row in rows}:
        numbers = sorted(row.sequence for row in rows if row.installation_id == installation)
        assert numbers == list(range(1, len(numbers) + 1))
