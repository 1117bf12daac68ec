"""``load``: many builders who record runs at once, beside plain commits to the same disk."""

import http.client
import json
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import typer

__all__ = ["load"]

_NEEDLE = {"label": "the only one", "taper_slope": {"value": 30.0, "unit": "mm/m"}}
_RUN = {
    "air_temperature": {"value": 68, "unit": "degF"},
    "pressure": {"value": 29.9, "unit": "inHg"},
    "egt_rise": {"seen": "peak", "rise": {"value": 95, "unit": "delta_degF"}},
    "idle_quality": "slightly_rich",
}
_HEADERS = {"Content-Type": "application/json", "Prefer": "respond-async"}
_MIB = 1 << 20
_TRIES = 100  # of one run, by a builder who is told to come back later
_CHECKOUT = Path(__file__).parents[2]  # where the service is found, too


def load(
    builders: Annotated[int, typer.Option("--builders", min=1, max=1000, help="Builders at once.")] = 50,
    runs: Annotated[int, typer.Option("--runs", min=1, help="Runs recorded in total.")] = 10_000,
) -> None:
    """Record runs over HTTP with many builders at once, in a service and a database made for it.

    All begin at the same instant. One that is told to come back later does so, with the same run, as a phone does; its
    wait counts from when it first asked.

    Recording alone is measured: the suggestion worker is off, and runs are sent with `Prefer: respond-async`, so that
    no suggestion is made for any of them. As a peer, one thread commits as many rows to plain SQLite on the same disk,
    with full synchronisation, just before.
    """
    from rich.console import Console
    from rich.progress import Progress

    with tempfile.TemporaryDirectory(prefix="taperwise-load-") as name:
        folder = Path(name)
        peer = _plain_commits(folder / "peer.db", runs)
        with _served(folder) as (port, process), Progress(console=Console(stderr=True)) as progress:
            import psutil

            crowd = _Crowd(port, builders)
            memory = psutil.Process(process.pid).memory_info
            before = memory().rss
            task = progress.add_task("recording runs", total=runs)
            begun = time.perf_counter()
            crowd.record(runs, lambda: progress.advance(task))
            seconds = time.perf_counter() - begun
            grown = memory().rss - before
        stored = _stored(folder)
    waits = np.array(crowd.seconds or [float("nan")]) * 1e3
    p50, p95, p99 = (round(float(each), 2) for each in np.percentile(waits, (50, 95, 99)))
    result = {
        "builders": builders,
        "runs": runs,
        "errors": crowd.errors,
        "told_to_come_back": crowd.told_to_come_back,
        "stored": stored,
        "p50_ms": p50,
        "p95_ms": p95,
        "p99_ms": p99,
        "slowest_mean_over_median": round(crowd.unfairness(), 2),
        "rss_growth_mib": round(grown / _MIB, 2),
        "runs_per_second": round(stored / seconds, 1),
        "plain_commits_per_second": round(peer, 1),
        "ratio_to_plain": round(stored / seconds / peer, 4),
    }
    typer.echo(json.dumps(result))


@contextmanager
def _served(folder: Path) -> Iterator[tuple[int, "subprocess.Popen[str]"]]:
    """A service of its own on a free port; gone at the end."""
    command = [sys.executable, "-m", "tests.benchmarks.load_server", str(folder)]
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True, cwd=_CHECKOUT)
        try:
            assert process.stdout is not None
            line = process.stdout.readline()
            if not line.strip():
                raise RuntimeError(f"the service did not start: {(folder / 'log').read_text()[-2000:]}")
            yield int(line), process
        finally:
            process.terminate()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()


def _headers() -> dict[str, str]:
    """Each with an id of its own."""
    return {**_HEADERS, "Idempotency-Key": uuid.uuid4().hex}


class _Crowd:
    """Builders, each with an installation and a connection of their own."""

    def __init__(self, port: int, builders: int) -> None:
        self.seconds: list[float] = []
        self.errors, self.told_to_come_back = 0, 0
        self._means: list[float] = []
        self._port, self._builders, self._lock = port, builders, threading.Lock()
        self._places = [self._set_up() for _ in range(builders)]

    def _set_up(self) -> str:
        with closing(http.client.HTTPConnection("127.0.0.1", self._port, timeout=120)) as line:
            line.request("POST", "/api/v1/installations", json.dumps({"needles": [_NEEDLE]}), _headers())
            answer = line.getresponse()
            answer.read()
            place = answer.getheader("Location")
            if place is None:
                raise RuntimeError(f"no installation could be set up: {answer.status}")
            return place

    def unfairness(self) -> float:
        """Mean wait of the builder who waited longest, over that of the middle one."""
        return max(self._means) / float(np.median(self._means)) if self._means else float("nan")

    def record(self, runs: int, told: Callable[[], None]) -> None:
        """Record as many runs, all builders at once."""
        share, more = divmod(runs, self._builders)
        together = threading.Barrier(self._builders)
        threads = [
            threading.Thread(target=self._build, args=(place, share + (i < more), told, together))
            for i, place in enumerate(self._places)
        ]
        for each in threads:
            each.start()
        for each in threads:
            each.join()

    def _build(self, place: str, runs: int, told: Callable[[], None], together: threading.Barrier) -> None:
        line = http.client.HTTPConnection("127.0.0.1", self._port, timeout=120)
        together.wait()
        waits = [self._record(line, place, told) for _ in range(runs)]
        line.close()
        if waits:
            with self._lock:
                self._means.append(sum(waits) / len(waits))

    def _record(self, line: http.client.HTTPConnection, place: str, told: Callable[[], None]) -> float:
        body, headers, begun, recorded = json.dumps(_RUN), _headers(), time.perf_counter(), False
        for _ in range(_TRIES):
            try:
                line.request("POST", f"{place}/runs", body, headers)
                answer = line.getresponse()
                answer.read()
            except (OSError, http.client.HTTPException):
                line.close()
                break
            recorded = answer.status == 201
            later = answer.getheader("Retry-After")
            if recorded or answer.status not in (429, 503) or later is None:
                break
            with self._lock:
                self.told_to_come_back += 1
            time.sleep(float(later))
        spent = time.perf_counter() - begun
        with self._lock:
            self.seconds.append(spent)
            self.errors += not recorded
        told()
        return spent


def _plain_commits(file: Path, count: int) -> float:
    """Commits a second of one thread to plain SQLite, synchronised as fully as the service's."""
    with closing(sqlite3.connect(file, isolation_level=None)) as plain:
        for each in ("journal_mode=WAL", "synchronous=FULL"):
            plain.execute(f"PRAGMA {each}")
        plain.execute("CREATE TABLE runs (id INTEGER PRIMARY KEY, document TEXT)")
        body = json.dumps(_RUN)
        begun = time.perf_counter()
        for _ in range(count):
            plain.execute("BEGIN IMMEDIATE")
            plain.execute("INSERT INTO runs (document) VALUES (?)", (body,))
            plain.execute("COMMIT")
        return count / (time.perf_counter() - begun)


def _stored(folder: Path) -> int:
    with closing(sqlite3.connect(folder / "taperwise.db")) as plain:
        found: Any = plain.execute("SELECT count(*) FROM entries").fetchone()[0]
        return int(found)
