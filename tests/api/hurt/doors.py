"""A service of its own process that is sent what hurts, and what it cost: processor time, others' waiting, memory.

All of it is processor time of the service, so that whatever else this machine does counts little.
"""

import http.client
import subprocess
import sys
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import psutil

__all__ = ["Door", "Hurt", "listening"]


@dataclass(frozen=True)
class Hurt:
    """What one request came to: the answer, the service's processor time [s], the most of it that anybody else waited
    for [s], and the memory added.
    """

    status: int
    text: str
    worked: float
    others_waited: float
    mebibytes: float


@dataclass(frozen=True)
class Door:
    """A service that listens on a port of this machine."""

    port: int
    process: psutil.Process

    def worked(self) -> float:
        """Processor time of the service until now [s]."""
        spent = self.process.cpu_times()
        return spent.user + spent.system

    def ask(self, method: str, path: str, body: bytes = b"", **headers: str) -> tuple[int, str]:
        """Ask once, over a connection of its own; the answer is read even where it comes before the body is sent."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        named = {name.replace("_", "-"): value for name, value in headers.items()}
        with suppress(BrokenPipeError, ConnectionResetError):
            connection.request(method, path, body or None, {"Idempotency-Key": uuid.uuid4().hex, **named})
        try:
            answer = connection.getresponse()
            return answer.status, answer.read().decode()
        finally:
            connection.close()

    def hurt(self, method: str, path: str, body: bytes, **headers: str) -> Hurt:
        """Send what hurts, while somebody else asks all the time whether the service is well."""
        done = threading.Event()
        waited, held = [0.0], [self.process.memory_info().rss]
        before = held[0]

        def others() -> None:
            while not done.is_set():
                begun = self.worked()
                assert self.ask("GET", "/healthz")[0] == 200
                waited.append(self.worked() - begun)
                held.append(self.process.memory_info().rss)
                done.wait(0.01)

        beside = threading.Thread(target=others)
        beside.start()
        begun = self.worked()
        try:
            status, text = self.ask(method, path, body, **headers)
            worked = self.worked() - begun
        finally:
            done.set()
            beside.join()
        return Hurt(status, text, worked, max(waited), (max(held) - before) / 2**20)


@contextmanager
def listening(folder: Path, most_bytes: int = 16 * 2**20) -> Iterator[Door]:
    """A service in a process of its own, with a stand-in for the model."""
    command = [sys.executable, "-m", "tests.api.hurt.stand_in_server", str(folder), str(most_bytes)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            port = int(process.stdout.readline())
            threading.Thread(target=process.stdout.read, daemon=True).start()  # a full pipe would stop it
            yield Door(port, psutil.Process(process.pid))
        finally:
            process.terminate()
