"""A real ``taperwise serve`` in a process of its own, with data and cache where it is told, asked over HTTP."""

import http.client
import json
import os
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

from taperwise.shared.errors import InvalidValueError

__all__ = ["Ready", "Served", "served", "suggested", "until_ready"]

_OURS = ("TAPERWISE_", "NUMBA_CACHE_DIR", "PYTENSOR_FLAGS")  # settings of whoever measures that are not passed on
_PAUSE_S = 0.02
_LOOKING_S = 0.25
_SETTLING_S = 2.0  # after which what was only needed to get ready is let go of
_RUN = {
    "air_temperature": {"value": 68, "unit": "degF"},
    "pressure": {"value": 29.3, "unit": "inHg"},
    "egt_rise": {"seen": "peak", "rise": {"value": 160, "unit": "delta_degF"}},
    "idle_quality": "slightly_rich",
}


class Ready(NamedTuple):
    """Seconds until it was alive and until it was ready, and the memory it held then at rest [MiB]."""

    healthz_s: float
    ready_s: float
    rest_mib: float


class Served:
    """A service that was started.

    Parameters
    ----------
    process : subprocess.Popen
    port : int
    begun : float
        When it was started [s of the performance counter].
    """

    def __init__(self, process: "subprocess.Popen[bytes]", port: int, begun: float) -> None:
        self.process, self.port, self.begun = process, port, begun

    def ask(self, method: str, path: str, body: Any = None, patience: float = 10.0) -> tuple[int, bytes]:
        """Status and body of an answer.

        Raises
        ------
        OSError
            If it does not answer.
        """
        there = http.client.HTTPConnection("127.0.0.1", self.port, timeout=patience)
        try:
            headers = {"Content-Type": "application/json", "Idempotency-Key": f"{time.monotonic_ns()}"}
            there.request(method, path, None if body is None else json.dumps(body), headers)
            answer = there.getresponse()
            return answer.status, answer.read()
        finally:
            there.close()

    def until(self, path: str, patience: float) -> float:
        """Seconds from the start until that address answers with 200.

        Raises
        ------
        InvalidValueError
            If the service ends, or takes longer than the patience [s].
        """
        while time.perf_counter() - self.begun < patience:
            if self.process.poll() is not None:
                raise InvalidValueError(
                    "the service ended before it answered", field=path, value=self.process.returncode,
                    cure="Start `taperwise serve` by hand and read what it says.",
                )  # fmt: skip
            try:
                if self.ask("GET", path)[0] == 200:
                    return time.perf_counter() - self.begun
            except (OSError, http.client.HTTPException):
                pass  # it does not listen yet
            time.sleep(_PAUSE_S)
        raise InvalidValueError(
            "the service did not answer in time", field="--patience", value=patience, cure="Give more seconds."
        )

    def resident_mib(self) -> float:
        """Memory it holds [MiB]; of the kernel's account where there is one."""
        status = Path(f"/proc/{self.process.pid}/status")
        if status.exists():
            (line,) = (x for x in status.read_text(encoding="ascii").splitlines() if x.startswith("VmRSS"))
            return float(line.split()[1]) / 1024.0
        account = ["ps", "-o", "rss=", "-p", str(self.process.pid)]
        told = subprocess.run(account, check=True, capture_output=True, text=True)
        return float(told.stdout) / 1024.0


@contextmanager
def served(cache: Path, **settings: str) -> Iterator[Served]:
    """A service that has just been started, on that cache and a database of its own; ended afterwards.

    Parameters
    ----------
    cache : Path
    settings : str
        Further settings, by their names in the environment.
    """
    with tempfile.TemporaryDirectory(prefix="taperwise-") as data, socket.create_server(("127.0.0.1", 0)) as free:
        port = int(free.getsockname()[1])
        free.close()
        environment = {name: value for name, value in os.environ.items() if not name.startswith(_OURS)}
        environment |= {
            "TAPERWISE_DATA_FOLDER": data, "TAPERWISE_CACHE_FOLDER": str(cache), "TAPERWISE_PORT": str(port),
            **settings,
        }  # fmt: skip
        begun = time.perf_counter()
        process = subprocess.Popen(
            [sys.executable, "-c", "from taperwise.api.cli.main import run; run()", "serve"],
            env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            yield Served(process, port, begun)
        finally:
            process.terminate()
            try:
                process.wait(30.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def until_ready(cache: Path, patience: float) -> Ready:
    """Start a service and wait until it is ready, and then at rest."""
    with served(cache) as service:
        alive, ready = service.until("/healthz", patience), service.until("/readyz", patience)
        time.sleep(_SETTLING_S)
        return Ready(alive, ready, service.resident_mib())


def suggested(cache: Path, patience: float) -> float:
    """Start a service, set up an installation and record a run as soon as it is alive, and wait for the suggestion.

    Returns
    -------
    float
        Seconds from the start of the service.

    Raises
    ------
    InvalidValueError
        If it makes none in time.
    """
    from taperwise.api.files.installation import installation_from

    sent = installation_from(None).model_dump(mode="json", exclude_unset=True)
    with served(cache) as service:
        service.until("/healthz", patience)
        status, told = service.ask("POST", "/api/v1/installations", sent)
        answered = False
        address = f"/api/v1/installations/{json.loads(told)['id']}" if status == 201 else ""
        if address:
            status, told = service.ask("POST", f"{address}/runs", _RUN, patience)
            answered = status == 201 and json.loads(told)["suggestion"] is not None
            while not answered and status < 300 and time.perf_counter() - service.begun < patience:
                time.sleep(_LOOKING_S)
                status, told = service.ask("GET", f"{address}/suggestion", patience=patience)
                answered = status == 200
        if not answered:
            raise InvalidValueError(
                "the service made no suggestion", field="status", value=f"{status}: {told[:200]!r}",
                cure="Start `taperwise serve` by hand and read what it says.",
            )  # fmt: skip
        return time.perf_counter() - service.begun
