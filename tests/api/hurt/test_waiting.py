"""Nobody is kept waiting for long: not by a calculation without end, nor by a service that ends.

The stand-in calculates until it is told to go on. Nothing here rests on how fast a machine is.
"""

import re
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from taperwise.api.app import create_app
from taperwise.api.core.settings import Settings
from taperwise.api.recommendations.turns import BeingMadeError, Turns
from taperwise.shared.errors import NotConvergedError
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn
from tests.api.pooling import owned
from tests.api.web import reading
from tests.api.web.reading import words

_LONG = 3600.0  # s, longer than any test
_LEFT = r"(, about \d+ s left|\. This takes longer than usual)"


class _Clock:
    """Stands still unless it is set forward."""

    now = 0.0

    def __call__(self) -> float:
        """Seconds."""
        return self.now


@pytest.fixture
def clock() -> _Clock:
    """The clock of `turns`."""
    return _Clock()


@pytest.fixture
def turns(clock: _Clock, monkeypatch: pytest.MonkeyPatch) -> Turns:
    """A line in which all are requests, and impatient."""
    monkeypatch.setattr("taperwise.api.recommendations.patience.in_request", lambda: True)
    return Turns(0.0, clock)


@pytest.fixture
def go_on() -> Iterator[threading.Event]:
    """Set for whatever is calculated to come to its end; at the latest when the test does."""
    event = threading.Event()
    yield event
    event.set()


def test_a_request_is_let_go_and_its_result_is_kept(turns: Turns, go_on: threading.Event) -> None:
    """What it asked for goes on, keeps its turn, and is stored; whoever asks for the same next has it."""
    stored, done = list[str](), threading.Event()

    def store(result: str) -> str:
        stored.append(result)
        done.set()
        return f"{result}, stored"

    with pytest.raises(BeingMadeError, match="Your result is being calculated, about 2 s left"):
        turns.result(1, "first", lambda: go_on.wait() and "the result", store)
    with pytest.raises(BeingMadeError, match="Before yours, 1 other result is calculated"):
        turns.result(2, "second", lambda: "another")
    go_on.set()
    assert done.wait(60)
    assert stored == ["the result"]
    turns.patience.seconds = _LONG
    assert turns.result(2, "second", lambda: "another") == "another"
    assert turns.result(1, "first", lambda: "made again") == "the result, stored"
    assert turns.result(1, "first", lambda: "made again") == "made again"


def test_who_waits_in_the_line_is_let_go_and_leaves_it(turns: Turns, go_on: threading.Event) -> None:
    """Nobody is before the next one whom nobody waits for."""
    with pytest.raises(BeingMadeError):
        turns.result(1, "first", go_on.wait)
    for _ in range(3):
        with pytest.raises(BeingMadeError, match="1 other result"):
            turns.result(2, "second", lambda: "never")
    assert not turns._waiting


def test_all_are_let_go_when_the_service_ends(turns: Turns, go_on: threading.Event) -> None:
    """Long before their time is up: those whose result is calculated, those in the line, and those who come now."""
    turns.patience.seconds = _LONG
    calculating = threading.Event()

    def calculate() -> None:
        calculating.set()
        go_on.wait()

    def ask(number: int) -> str:
        with pytest.raises(BeingMadeError) as told:
            turns.result(number, number, calculate)
        return str(told.value)

    with ThreadPoolExecutor(3) as pool:
        first = pool.submit(ask, 1)
        assert calculating.wait(60)
        second = pool.submit(ask, 2)
        while not turns._waiting:
            go_on.wait(0.001)
        turns.patience.end()
        turns.patience.end()  # a second signal changes nothing
        assert first.result(60).startswith("Your result is being calculated")
        assert second.result(60).startswith("Before yours, 1 other result is calculated")
        assert pool.submit(ask, 3).result(60).startswith("Before yours")


def test_a_failure_that_nobody_waited_for_is_told_once(turns: Turns, go_on: threading.Event) -> None:
    """To whoever asks for the same again; then it is tried again. Another log of the same engine is another thing."""
    kept, keep = threading.Event(), turns.patience._keep

    def fail() -> None:
        go_on.wait()
        raise NotConvergedError("Your readings give no reliable result")

    turns.patience._keep = lambda *what: (keep(*what), kept.set())[0]  # type: ignore[method-assign]
    with pytest.raises(BeingMadeError):
        turns.result(1, "the log", fail)
    go_on.set()
    assert kept.wait(60)
    turns.patience.seconds = _LONG
    assert turns.result(1, "the log, corrected", lambda: "fine") == "fine"
    with pytest.raises(NotConvergedError):
        turns.result(1, "the log", lambda: "not tried")
    assert turns.result(1, "the log", lambda: "tried again") == "tried again"


def test_what_nobody_comes_back_for_is_dropped(turns: Turns) -> None:
    """Results of requests that were let go do not pile up."""
    for number in range(100):
        going_on, done, keep = threading.Event(), threading.Event(), turns.patience._keep
        turns.patience._keep = lambda *what, k=keep, d=done: (k(*what), d.set())[0]  # type: ignore[method-assign, misc]
        with pytest.raises(BeingMadeError):
            turns.result(number, number, going_on.wait)
        going_on.set()
        assert done.wait(60)
    assert 0 < len(turns.patience._kept) < 20


def test_the_estimate_falls_and_ends_in_words(turns: Turns, clock: _Clock, go_on: threading.Event) -> None:
    """What is calculated takes the rest of the usual time; once it takes longer, nobody knows how long."""
    turns._seconds = 30.0
    with pytest.raises(BeingMadeError):
        turns.result(1, "first", go_on.wait)
    told = []
    for clock.now in (0.0, 10.0, 29.5, 30.5, 31.5):
        told.append((turns.told(1).seconds, turns.told(2).seconds))
    assert told == [(30, 60), (20, 50), (1, 31), (1, 31), (10, 10)]
    assert str(turns.told(1)) == (
        "Your result is being calculated. This takes longer than usual. What you recorded is saved. Ask again in 10 s."
    )
    assert "1 other result is calculated. This takes longer than usual." in str(turns.told(2))


def test_a_place_in_the_line_is_counted_from_the_front(turns: Turns, go_on: threading.Event) -> None:
    """Whoever came later is not before one; what is neither calculated nor in the line is not going on."""
    with pytest.raises(BeingMadeError):
        turns.result(1, "first", go_on.wait)
    turns._waiting.extend((number, Any) for number in (2, 3, 2))  # type: ignore[arg-type] - nobody is called here
    assert [turns.told(number).ahead for number in (1, 2, 3, 4)] == [0, 1, 2, 3]
    assert [turns.going_on(number) is None for number in (1, 2, 3, 4)] == [False, False, False, True]
    turns._waiting.clear()


class _Held(StandIn):
    """Learns, fits and summarises when it is told to go on."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.go_on = threading.Event()

    def learn(self, *asked: Any) -> Any:
        """Wait for that."""
        assert self.go_on.wait(60)
        return super().learn(*asked)

    def summarise(self, posterior: Any) -> Any:
        """As above."""
        assert self.go_on.wait(60)
        return super().summarise(posterior)


@pytest.fixture
def held() -> Iterator[_Held]:
    """The recommender behind `impatient`."""
    made = _Held(7)
    yield made
    made.go_on.set()


@pytest.fixture
def impatient(settings: Settings, held: _Held) -> Iterator[Client]:
    """A service that keeps no request waiting."""
    with Client(create_app(settings.model_copy(update={"wait_seconds": 0.0}), lambda _seed: held)) as client:
        yield client
        held.go_on.set()


@pytest.fixture
def engine(impatient: Client, needles: list[dict[str, Any]]) -> str:
    """Address of an installation there."""
    return str(impatient.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"])


def _when_ready(client: Client, address: str) -> Any:
    """The first answer to a GET that is not 202; what is made is made beside it."""
    while True:
        answer = client.get(address)
        if answer.status_code != 202:
            return answer


def test_a_run_is_recorded_and_its_result_promised(
    impatient: Client, engine: str, held: _Held, needles: list[dict[str, Any]]
) -> None:
    """Created, with when to ask; asked then, the result is there though no request made it. Sent again: recorded once.

    An engine beside it is told its place in the line.
    """
    headers = {"Idempotency-Key": "the-run-of-friday"}
    saved = impatient.post(f"{engine}/runs", json=RUN, headers=headers)
    assert (saved.status_code, saved.json()["suggestion"]) == (201, None)
    then = f"Request the next step in {saved.headers['Retry-After']} s."
    assert re.fullmatch(f"Saved. Your result is being calculated{_LEFT}. {then}", saved.json()["warnings"][-1])
    assert impatient.post(f"{engine}/runs", json=RUN, headers=headers).status_code == 201
    for path in ("suggestion", "confidence"):
        answer = impatient.get(f"{engine}/{path}")
        assert answer.status_code == 202
        assert answer.headers["Retry-After"] == str(answer.json()["seconds_left"])
        assert "What you recorded is saved." in answer.json()["detail"]
    other = impatient.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
    assert "Before yours, 1 other result is calculated" in impatient.get(f"{other}/suggestion").json()["detail"]
    held.go_on.set()
    assert _when_ready(impatient, f"{engine}/suggestion").json()["confidence"]["runs"] == 1
    assert len(impatient.get(f"{engine}/history").json()["entries"]) == 1
    assert held.learned == 1


def test_a_failure_comes_to_whoever_asks_next(impatient: Client, engine: str, held: _Held) -> None:
    """The request that began it was let go: the next one is told, and the one after it has it tried again."""
    held.failure = NotConvergedError("Your readings give no reliable result", cure="Check the last entries.")
    assert impatient.get(f"{engine}/suggestion").status_code == 202
    held.go_on.set()
    told = problem(_when_ready(impatient, f"{engine}/suggestion"), 503)
    assert told["type"] == "/problems/no-result"
    held.failure = None
    assert _when_ready(impatient, f"{engine}/suggestion").status_code == 200


def test_nothing_is_shared_before_the_summary_is_there(impatient: Client, engine: str, held: _Held) -> None:
    """No success, and when to try again; then it is shared, from the one summary that was made."""
    held.go_on.set()
    impatient.post(f"{engine}/runs", json=RUN)
    assert _when_ready(impatient, f"{engine}/suggestion").status_code == 200
    owned(impatient, engine)
    held.go_on.clear()
    answer = impatient.post(f"{engine}/contribution", json={"consent": True})
    while "Your result" not in problem(answer, 503)["detail"]:  # that of the fit was there at once, or came now
        answer = impatient.post(f"{engine}/contribution", json={"consent": True})
    assert int(answer.headers["Retry-After"]) > 0
    assert impatient.get(f"{engine}/contribution").status_code == 404
    held.go_on.set()
    while answer.status_code != 201:
        answer = impatient.post(f"{engine}/contribution", json={"consent": True})
        assert answer.status_code in (201, 503), answer.text
    assert impatient.get(f"{engine}/contribution").status_code == 200


def test_a_page_says_how_far_the_result_is(impatient: Client, held: _Held) -> None:
    """At once after the run was recorded, for scripts and without; a part of it is asked for until the result shows."""
    home = impatient.post("/installations/new", data=reading.FORM, follow_redirects=False).headers["Location"]
    assert impatient.post(f"{home}/run", data=reading.RUN, follow_redirects=False).status_code == 303
    told = r"Calculating the next step\. (A few seconds|About \d+ s left|This takes longer than usual)\. "
    page = impatient.get(home).text
    assert '<noscript><meta http-equiv="refresh"' in page
    assert f'hx-get="{home}/card"' in page
    part = impatient.get(f"{home}/card").text
    while "A few seconds" in words(part):
        assert re.search(told, words(part)), words(part)
        part = impatient.get(f"{home}/card").text
    assert re.search(told + r"What you recorded is stored\.", words(part))
    other = impatient.post("/installations/new", data=reading.FORM, follow_redirects=False).headers["Location"]
    part = impatient.get(f"{other}/card").text
    while "A few seconds" in words(part):
        part = impatient.get(f"{other}/card").text
    assert re.search(r"1 other result comes before it\. (About \d+ s left|This takes longer than usual)\.", words(part))
    part = impatient.get(f"{home}/card").text
    assert "being calculated" in words(impatient.get(f"{home}/sheet.pdf").text)
    held.go_on.set()
    while "Calculating" in part:
        part = impatient.get(f"{home}/card").text
    assert "Make another run at this setting." in words(part)
    assert "Make another run at this setting." in words(impatient.get(home).text)
    assert held.learned <= 2  # once for each engine, however often its page asked
