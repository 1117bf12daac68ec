"""Before the sampler is compiled: what is asked is told to come back, and what is recorded is recorded."""

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from taperwise.api.app import create_app
from taperwise.api.cli import prepare
from taperwise.api.cli.asgi import _prepare
from taperwise.api.core.compile_cache import SamplerShelf
from taperwise.api.core.settings import Settings
from taperwise.model.inference.compiled_logp import BUILDING, COMPILING
from taperwise.shared.errors import NotReadyError
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn
from tests.api.pooling import owned

_ASKED = ("suggestion", "confidence", "whatif?turns=0.125", "holding", "draws")


class _Compiling(StandIn):
    """Compiles until it is told that it has."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.ready = False
        self.compiled = threading.Event()
        self.begun = 0

    def prepare(self, progress: Callable[[str], None] = print) -> None:
        """Wait."""
        self.begun += 1
        progress(BUILDING)
        progress(COMPILING)
        assert self.compiled.wait(30)
        super().prepare(progress)


@pytest.fixture
def compiling() -> Iterator[_Compiling]:
    """The adviser behind `waiting`."""
    made = _Compiling(7)
    yield made
    made.compiled.set()


@pytest.fixture
def waiting(settings: Settings, compiling: _Compiling) -> Iterator[Client]:
    """A client of a service that is being made ready."""
    with Client(create_app(settings, lambda _seed: compiling)) as made:
        yield made


@pytest.fixture
def somewhere(waiting: Client, needles: list[dict[str, Any]]) -> str:
    """Address of an installation there."""
    return str(waiting.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"])


@pytest.mark.parametrize("path", _ASKED)
def test_what_is_asked_is_told_to_come_back(waiting: Client, somewhere: str, path: str) -> None:
    """Accepted, with the seconds that are left in the body and in `Retry-After` alike (RFC 9110, section 10.2.3)."""
    answer = waiting.get(f"{somewhere}/{path}")
    assert answer.status_code == 202, answer.text
    told = answer.json()
    assert set(told) == {"detail", "seconds_left"}
    assert answer.headers["Retry-After"] == str(told["seconds_left"])
    assert 0 < told["seconds_left"] <= 60
    assert str(told["seconds_left"]) in told["detail"]


def test_a_run_is_recorded_all_the_same(waiting: Client, somewhere: str, compiling: _Compiling) -> None:
    """Created, without a suggestion, with a warning and when to ask; asked then, the answer is there."""
    answer = waiting.post(f"{somewhere}/runs", json=RUN)
    assert answer.status_code == 201
    recorded = answer.json()
    assert (recorded["suggestion"], recorded["confidence"]) == (None, None)
    seconds = int(answer.headers["Retry-After"])
    assert 0 < seconds <= 60
    assert recorded["warnings"] == [
        f"Saved. The model is getting ready: about {seconds} s left. Request the next step then."
    ]
    assert len(waiting.get(f"{somewhere}/history").json()["entries"]) == 1
    compiling.compiled.set()
    waiting.app.state.desk.prepare()  # type: ignore[attr-defined] - the client hides the type
    later = waiting.get(f"{somewhere}/suggestion")
    assert later.status_code == 200
    assert later.json()["confidence"]["runs"] == 1
    assert "Retry-After" not in later.headers


def test_getting_ready_is_begun_once(waiting: Client, somewhere: str, compiling: _Compiling) -> None:
    """Whoever asks first has it begun, where nobody else did; the others wait for the same."""
    for path in _ASKED:
        waiting.get(f"{somewhere}/{path}")
    waiting.post(f"{somewhere}/runs", json=RUN)
    assert compiling.begun == 1
    assert compiling.learned == 0


def test_an_answer_that_is_stored_needs_no_sampler(
    settings: Settings, client: Client, place: str, compiling: _Compiling
) -> None:
    """After a restart what was answered before is answered at once."""
    told = client.post(f"{place}/runs", json=RUN).json()["suggestion"]
    compiling.seed = 7
    with Client(create_app(settings, lambda _seed: compiling)) as again:
        assert again.get(f"{place}/suggestion").json() == told
        assert again.get(f"{place}/whatif").status_code == 202


def test_nothing_is_shared_before_that(waiting: Client, somewhere: str) -> None:
    """What would change something is not done yet, and says so: no success, and when to try again."""
    waiting.post(f"{somewhere}/runs", json=RUN)
    owned(waiting, somewhere)
    answer = waiting.post(f"{somewhere}/contribution", json={"consent": True})
    assert answer.status_code == 503, answer.text
    assert 0 < int(answer.headers["Retry-After"]) <= 60
    assert waiting.get(f"{somewhere}/contribution").status_code == 404


def test_a_page_that_waits_raises_no_alarm(waiting: Client, somewhere: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """It says that nothing is calculated yet, and how to look again; so does what if."""
    waiting.post(f"{somewhere}/runs", json=RUN)
    page = somewhere.removeprefix("/api/v1")

    def busy(*_: object) -> None:
        raise NotReadyError(29, 2)

    monkeypatch.setattr("taperwise.api.web.pool_comparison._page", busy)
    similar = waiting.get(f"{page}/similar")
    assert similar.status_code == 503
    assert "Not calculated yet" in similar.text
    assert "Look again" in similar.text
    what_if = waiting.get(f"{page}/whatif?turns=0.125")
    assert "Press “Look” again in a moment" in what_if.text
    assert 'role="alert"' not in similar.text + what_if.text


@pytest.fixture
def warm(tmp_path: Path) -> Path:
    """A cache folder with compiled code in it."""
    SamplerShelf(tmp_path).put(b"code")
    return tmp_path


def test_recorded_before_the_model_is_ready_and_answered_afterwards(
    waiting: Client, somewhere: str, compiling: _Compiling, warm: Path
) -> None:
    """What is recorded while the model is made ready is stored, and answered by the worker as soon as it is ready."""
    state: Any = waiting.app.state  # type: ignore[attr-defined] - the client hides the type
    state.worker.announce()
    recorded = waiting.post(f"{somewhere}/runs", json=RUN)
    assert (recorded.status_code, recorded.json()["suggestion"]) == (201, None)
    assert waiting.get(f"{somewhere}/suggestion").status_code == 202
    compiling.compiled.set()
    _prepare(state, True, warm)
    state.worker.ask(1)
    deadline = time.monotonic() + 20.0
    while state.desk.kept(state.database, 1) is None:
        assert time.monotonic() < deadline
        time.sleep(0.05)
    assert waiting.get(f"{somewhere}/suggestion").json()["confidence"]["runs"] == 1


def test_nobody_counts_on_a_worker_that_cannot_come(waiting: Client, warm: Path) -> None:
    """Where getting ready fails, the announcement is taken back."""
    state: Any = waiting.app.state  # type: ignore[attr-defined] - the client hides the type
    state.worker.announce()

    def fails(_: object) -> None:
        raise OSError("no room")

    state.desk._adviser = StandIn(7)
    state.desk._adviser.prepare = fails
    with pytest.raises(OSError, match="no room"):
        _prepare(state, True, warm)
    assert not state.worker.working
    assert state.desk.failed == "OSError"


def test_compiling_beside(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the cache is empty a process of its own compiles, and what it says is passed on; where it is not, none is
    started; one that fails is told, and no failure yet.
    """
    script = (
        "from pathlib import Path; from taperwise.api.core.compile_cache import SamplerShelf; "
        "print('… as told', flush=True); "
        f"SamplerShelf(Path({str(tmp_path)!r})).put(b'code')"
    )
    monkeypatch.setattr(prepare, "_COMMAND", (sys.executable, "-c", script))
    told: list[str] = []
    prepare.compiled_beside(tmp_path, told.append)
    assert told == ["… as told"]
    assert SamplerShelf(tmp_path).get() == b"code"
    prepare.compiled_beside(tmp_path, told.append)
    assert told == ["… as told"]
    monkeypatch.setattr(prepare, "_COMMAND", (sys.executable, "-c", "raise SystemExit(3)"))
    prepare.compiled_beside(tmp_path / "empty", told.append)
    assert told[0] == "… as told"
    assert "ended with 3; the service does it itself" in told[1]


def test_no_compiling_is_left_behind(tmp_path: Path) -> None:
    """The child ends by itself when a service lets go of it, as it does however it ends."""
    environment = {**os.environ, "TAPERWISE_CACHE_FOLDER": str(tmp_path)}
    with subprocess.Popen(
        prepare._COMMAND, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=environment
    ) as child:
        assert child.stdin is not None
        assert child.stdout is not None
        assert child.stdout.readline().startswith("…")
        child.stdin.close()
        assert child.wait(20.0) == 1
    assert SamplerShelf(tmp_path).get() is None
