"""A reader who follows a recorded run from the door to its answer opens few files."""

import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from types import CodeType
from typing import Any

import pytest
import structlog

import taperwise.api
from taperwise.api.log.routes import _RUNS
from tests.api.asking import Client

_OURS = Path(taperwise.api.__file__).parents[1]
_BESIDE = {"worker", "prepare"}  # threads of the service, of another test's too, that go on meanwhile
_MOST = 61
"""Sixteen more since a place in the line, patience for what takes long, tags, a guard at the last door, a kept stop and
a look at the database's file stand in the way."""


def _entered(call: Callable[[], Any]) -> set[str]:
    """Files of ours in which a function began to run meanwhile, in whichever thread that answers requests."""
    watch, seen = sys.monitoring, set[str]()

    def began(code: CodeType, _at: int) -> object:
        if threading.current_thread().name in _BESIDE:
            return None  # it may come again in a thread that answers
        seen.add(code.co_filename)
        return watch.DISABLE  # once is enough

    watch.use_tool_id(watch.PROFILER_ID, "the way of a run")
    try:
        watch.register_callback(watch.PROFILER_ID, watch.events.PY_START, began)
        watch.restart_events()
        watch.set_events(watch.PROFILER_ID, watch.events.PY_START)
        call()
    finally:
        watch.set_events(watch.PROFILER_ID, watch.events.NO_EVENTS)
        watch.register_callback(watch.PROFILER_ID, watch.events.PY_START, None)
        watch.free_tool_id(watch.PROFILER_ID)
    return {Path(name).relative_to(_OURS).as_posix() for name in seen if Path(name).is_relative_to(_OURS)}


@pytest.fixture
def _own_log() -> Iterator[None]:
    """Lines of the log are not ours to format, whatever an earlier test has them written with."""
    before = structlog.get_config()
    structlog.reset_defaults()
    yield
    structlog.configure(**before)


@pytest.mark.usefixtures("_own_log")
def test_a_recorded_run_enters_few_files(client: Client, place: str) -> None:
    """With everything read: its way through the middleware, the log, the desk and back; the model is a stand-in."""
    answers = []
    entered = _entered(lambda: answers.append(client.post(f"{place}/runs", json=_RUNS["all"]["value"])))
    assert answers[0].status_code == 201
    assert answers[0].json()["suggestion"] is not None
    # the way was watched from end to end: middleware, a route in a thread of its own, storage, the desk
    assert {
        "api/core/json_body.py", "api/accounts/authentication.py", "api/log/routes.py", "api/log/repository.py",
        "api/recommendations/service.py", "shared/runs.py",
    } <= entered  # fmt: skip
    assert len(entered) <= _MOST, sorted(entered)
