"""What one request, or one caller, can make the service do is bounded, and others are served meanwhile."""

import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import psutil
import pytest

from taperwise.api.app import create_app
from taperwise.api.core.settings import Settings
from taperwise.api.recommendations.turns import Turns
from taperwise.api.web import background_calls
from taperwise.api.web.background_calls import BackgroundCalls
from taperwise.shared.errors import NotReadyError
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn
from tests.api.hurt.doors import listening

_FITS = 64


class Slow(StandIn):
    """Takes its time to learn, as a sampler does, and says how many it is at."""

    def __init__(self, seed: int) -> None:
        super().__init__(seed)
        self.at_once, self.most = 0, 0
        self._lock = threading.Lock()

    def learn(self, *args: Any) -> Any:
        """Half a second."""
        with self._lock:
            self.at_once += 1
            self.most = max(self.most, self.at_once)
        time.sleep(0.5)
        with self._lock:
            self.at_once -= 1
        return super().learn(*args)


@pytest.fixture
def slow(settings: Settings, needles: list[dict[str, Any]]) -> Iterator[tuple[Client, Slow]]:
    """A service that learns slowly, with many installations, a run each, and one whose answer is there."""
    adviser = Slow(7)
    impatient = settings.model_copy(update={"wait_seconds": 8.0})
    with Client(create_app(impatient, lambda _seed: adviser)) as client:
        for number in range(1, _FITS + 2):
            assert client.post("/api/v1/installations", json={"needles": needles[:1]}).status_code == 201
            later = {"Prefer": "respond-async"} if number > 1 else {}
            assert client.post(f"/api/v1/installations/{number}/runs", json=RUN, headers=later).status_code == 201
        yield client, adviser


def _timed(ask: Callable[[], Any]) -> tuple[Any, float]:
    begun = time.perf_counter()
    return ask(), time.perf_counter() - begun


def _many_fits(client: Client) -> tuple[list[Any], dict[str, list[float]]]:
    """As many suggestions asked for at once, and how long others waited meanwhile, by what they asked for [s]."""
    waited: dict[str, list[float]] = {"/healthz": [], "/installations/1": [], "/installations": []}
    done = threading.Event()

    def others() -> None:
        while not done.is_set():
            for path, seconds in waited.items():
                answer, took = _timed(lambda path=path: client.get(path))  # type: ignore[misc] - bound where it is made
                assert answer.status_code == 200
                seconds.append(took)

    with ThreadPoolExecutor(_FITS + 1) as pool:
        beside = pool.submit(others)
        paths = [f"/api/v1/installations/{number}/suggestion" for number in range(2, _FITS + 2)]
        asked = [pool.submit(client.get, path) for path in paths]
        answers = [each.result() for each in asked]
        done.set()
        beside.result()
    return answers, waited


@pytest.mark.slow
def test_many_fits_at_once_leave_room_for_others(slow: tuple[Client, Slow]) -> None:
    """One fit at a time; those who would wait long are told how many are before them; nobody else waits for fits."""
    client, adviser = slow
    answers, waited = _many_fits(client)
    assert adviser.most == 1
    assert {answer.status_code for answer in answers} == {200, 202}
    told = [answer for answer in answers if answer.status_code == 202]
    assert len(told) > _FITS / 2
    for answer in told:
        assert "calculated" in answer.json()["detail"]
        assert int(answer.headers["Retry-After"]) == answer.json()["seconds_left"] >= 1
    assert all(seconds for seconds in waited.values())


@pytest.mark.thorough(daily=False)
def test_many_fits_at_once_are_not_felt_by_others(slow: tuple[Client, Slow], monkeypatch: pytest.MonkeyPatch) -> None:
    """On an idle machine: health within half a second, other people's pages within one."""
    monkeypatch.setattr(background_calls, "_PATIENCE_SECONDS", 1.0)
    _, waited = _many_fits(slow[0])
    assert max(waited.pop("/healthz")) < 0.5
    assert max(max(seconds) for seconds in waited.values()) < 1.0


@pytest.mark.slow
def test_a_run_that_has_to_wait_is_recorded_all_the_same(slow: tuple[Client, Slow]) -> None:
    """With when to ask for the next step."""
    client, _ = slow
    with ThreadPoolExecutor(40) as pool:
        sent = [pool.submit(client.post, f"/api/v1/installations/{number}/runs", json=RUN) for number in range(2, 42)]
        answers = [each.result() for each in sent]
    assert {answer.status_code for answer in answers} == {201}
    without = [answer for answer in answers if answer.json()["suggestion"] is None]
    assert without
    for answer in without:
        assert "Saved. Before yours" in answer.json()["warnings"][0]
        assert int(answer.headers["Retry-After"]) >= 1
    for number in range(2, 42):
        assert len(client.get(f"/api/v1/installations/{number}/history").json()["entries"]) == 2


def test_turns_come_in_order() -> None:
    """Whoever came first is first, whatever a thread's luck."""
    turns, order, held = Turns(), list[int](), threading.Event()

    def one(number: int) -> None:
        with turns.turn():
            order.append(number)

    threads = []
    with turns.turn():
        for number in range(20):
            threads.append(threading.Thread(target=one, args=(number,)))
            threads[-1].start()
            while len(turns._waiting) <= number:
                held.wait(0.001)
    for each in threads:
        each.join()
    assert order == list(range(20))


def test_those_of_one_result_count_once_in_the_line(monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight fits of a second and a half are too long to wait for; one fit that eight wait for is not."""
    monkeypatch.setattr("taperwise.api.recommendations.patience.in_request", lambda: True)
    for same in (True, False):
        turns, told, held = Turns(9.0), list[int](), threading.Event()

        def one(of: int, turns: Turns = turns, told: list[int] = told) -> None:
            try:
                with turns.turn(of):
                    pass
            except NotReadyError as error:
                told.append(error.ahead)

        with turns.turn(0):
            threads = [threading.Thread(target=one, args=(0 if same else number,)) for number in range(1, 9)]
            for number, each in enumerate(threads, start=1):
                each.start()
                while len(turns._waiting) + len(told) < number:
                    held.wait(0.001)
        for each in threads:
            each.join()
        assert told == ([] if same else [6, 6, 6])


def test_a_turn_ends_with_its_holder() -> None:
    """Whatever goes wrong in it."""
    turns = Turns()
    for _ in range(2):
        with pytest.raises(ZeroDivisionError), turns.turn():
            1 / 0  # noqa: B018 - what goes wrong


def test_results_that_nobody_comes_back_for_are_dropped() -> None:
    """A page asks for another what-if each time: what was made for the earlier ones does not pile up."""
    calls = BackgroundCalls()
    for number in range(500):
        calls.done(("what if", number, 0.125), lambda: "a result", 0.0)
    calls._pool.shutdown(wait=True)
    assert len(calls._going) <= background_calls._MOST_UNASKED + background_calls._MOST


def test_one_installation_is_not_worked_for_without_end() -> None:
    """Four calls at a time; another one is begun when one of them has ended."""
    calls, go_on = BackgroundCalls(), threading.Event()
    for number in range(10):
        assert calls.done(("what if", 1, number), lambda: go_on.wait(30), 0.0) is None
    assert len(calls._going) == background_calls._MOST_OF_ONE
    assert calls.done(("answer", 2), lambda: "other people's", 0.0) is None
    go_on.set()
    assert calls.done(("answer", 2), lambda: "other people's", 30.0) == "other people's"
    calls.close()


_QUERIES = (
    "needle=%00", "needle=%FF%FE", "needle=a%0Ab", "needle=no%20such", "turns=7", "turns=nan", "turns=0.1",
    "turns=1e300", "turns=x", "density_altitude=inf", "density_altitude=1e9", "needle=" + "x" * 41,
)  # fmt: skip


@pytest.mark.parametrize("query", [*_QUERIES, "unit=furlong"])
def test_a_question_is_checked_before_anything_is_learned(
    client: Client, stand_in: StandIn, place: str, query: str
) -> None:
    """A needle that is not there, a step too large, air that cannot be: refused without a fit."""
    client.post(f"{place}/runs", json=RUN, headers={"Prefer": "respond-async"})
    problem(client.get(f"{place}/whatif?{query}"), 422)
    assert (stand_in.fitted, stand_in.learned) == (0, 0)


@pytest.mark.parametrize("query", _QUERIES)
def test_a_page_checks_the_question_too(client: Client, stand_in: StandIn, place: str, query: str) -> None:
    """With the same fields, before the same work."""
    client.post(f"{place}/runs", json=RUN, headers={"Prefer": "respond-async"})
    client.get(f"/installations/1/whatif?{query}")
    assert (stand_in.fitted, stand_in.learned) == (0, 0)


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("path", ["/history", "/suggestion", "/whatif?turns={}", "/export", "/nowhere/{}", "/notes"])
def test_two_thousand_requests_leave_no_more_behind(tmp_path_factory: pytest.TempPathFactory, path: str) -> None:
    """The process grows by less than 20 MiB over two thousand requests, once five hundred have warmed it up."""
    with listening(tmp_path_factory.mktemp("grows")) as door:
        typed = {"Content_Type": "application/json"}
        sent = b'{"needles": [{"label": "a", "taper_slope": {"value": 30, "unit": "mm/m"}}]}'
        assert door.ask("POST", "/api/v1/installations", sent, **typed)[0] == 201
        for i in range(500):
            door.ask("GET", f"/api/v1/installations/1{path.format(i)}")
        before = psutil.Process(door.process.pid).memory_info().rss
        for i in range(2000):
            door.ask("GET", f"/api/v1/installations/1{path.format(500 + i)}")
        assert psutil.Process(door.process.pid).memory_info().rss - before < 20 * 2**20
