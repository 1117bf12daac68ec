"""Before the sampler is compiled: what is asked is told to come back, and what is recorded is recorded."""

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from taperwise.api.app import create_app
from taperwise.api.core.settings import Settings
from taperwise.model.inference.compiled_logp import BUILDING, COMPILING
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
