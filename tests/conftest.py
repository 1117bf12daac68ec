"""What every test may ask for."""

import os

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # tests run side by side: a thread for each is enough
os.environ.setdefault("TAPERWISE_WAIT_SECONDS", "600")  # no test is about waiting on a slow machine, unless it says so

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import structlog
from hypothesis import HealthCheck, configuration, settings

from taperwise.api.core import compile_cache
from taperwise.api.core.settings import Settings
from taperwise.shared.records import Installation, Needle, ThrottleBody, TurnSense
from taperwise.shared.runs import Air

compile_cache.use(Settings().cache_folder)

from taperwise.api.recommendations.factory import make_recommender  # noqa: E402 - the compilers look for their cache when they are loaded
from taperwise.model.recommender import Recommender  # noqa: E402 - as above
from tests import recorded as posteriors  # noqa: E402 - as above

structlog.configure(  # plain lines: tracebacks with all that was at hand take most of a test in which things fail
    processors=[
        structlog.processors.add_log_level,
        structlog.processors.format_exc_info,
        structlog.processors.JSONRenderer(),
    ]
)

settings.register_profile(
    "standing",
    deadline=None,
    database=None,  # a failure is found again by the seed of its day
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture],
)
settings.load_profile("standing")

RECORDING = "TAPERWISE_RECORD" in os.environ
"""Whether posteriors are drawn anew for `tests.recorded`."""

_SEED = "TAPERWISE_TEST_SEED"


def seed_of_the_day() -> int:
    """The seed of what is drawn afresh every day: `TAPERWISE_TEST_SEED`, or the number of today's date (UTC).

    The environment hands it on to workers and other processes, so all have the same one past midnight too.
    """
    given = os.environ.setdefault(_SEED, str(datetime.now(UTC).date().toordinal()))
    if not given.isdecimal():
        raise pytest.UsageError(f"{_SEED} is {given!r}. Set it to a whole number, or unset it to use today's date.")
    return int(given)


def pytest_configure(config: pytest.Config) -> None:
    """Hypothesis draws from the day's seed, and keeps its files beside pytest's own."""
    if config.getoption("hypothesis_seed") is None:
        config.option.hypothesis_seed = seed_of_the_day()
    if hasattr(config, "cache"):  # not with -p no:cacheprovider
        configuration.set_hypothesis_home_dir(config.cache.mkdir("hypothesis"))


def pytest_report_header() -> str:
    """The day's seed, and how to repeat it."""
    return f"examples of the day: repeat them with {_SEED}={seed_of_the_day()}"


@pytest.fixture(scope="session")
def day_seed() -> int:
    """The seed that chooses today's small case of a thorough check."""
    return seed_of_the_day()


NEEDLES = tuple(Needle(f"taper {s:.1f}", s / 1e3) for s in (28.2, 28.8, 29.4, 30.0, 30.6, 31.2, 31.8))


def _leave_out(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Of each thorough check, or of those that are `one_of` a kind, keep the case whose day it is. What has a single
    case, or says `daily=False`, waits for a thorough run.
    """
    cases: dict[str, list[pytest.Item]] = {}
    for item in items:
        marker = item.get_closest_marker("thorough")
        if marker is not None:
            daily, one_of = marker.kwargs.get("daily", True), marker.kwargs.get("one_of")
            cases.setdefault(one_of or item.nodeid.partition("[" if daily else "]")[0], []).append(item)
    today = {each[seed_of_the_day() % len(each)] for each in cases.values() if len(each) > 1}
    left_out = {item for each in cases.values() for item in each} - today
    items[:] = [item for item in items if item not in left_out]
    config.hook.pytest_deselected(items=list(left_out))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """The longest test begins, and compiles the sampler while others have something to do without; then modules that
    hold slow tests, so that all workers are busy to the end, first those that need no sampler. Those that hold a
    browser come last, for its event loop stays, and so does what a server in this process makes of the log.
    """
    if RECORDING:
        items[:] = [item for item in items if "recorded" in getattr(item, "fixturenames", ())]
    elif "thorough" not in config.option.markexpr and not any("::" in asked for asked in config.args):
        _leave_out(config, items)
    slow = {item.path for item in items if item.get_closest_marker("slow") is not None}
    sampled = {
        item.path
        for item in items
        if "recommender" in getattr(item, "fixturenames", ()) or item.get_closest_marker("sampled") is not None
    }
    items.sort(
        key=lambda item: (
            item.get_closest_marker("longest") is None,
            "browser" in item.path.parts,
            item.path not in slow,
            item.path in sampled,
        )
    )


@pytest.fixture(scope="session")
def recommender() -> Recommender:
    """The real adviser, its sampler compiled."""
    made = make_recommender()
    made.prepare()
    return made


@pytest.fixture(scope="session")
def recorded(request: pytest.FixtureRequest) -> Iterator[Recommender]:
    """An adviser that samples nothing: it knows the posteriors of the logs that tests ask it about."""
    if RECORDING:
        recorder = posteriors.Recorder(request.getfixturevalue("recommender").sampler)
        yield posteriors.advisor_with(recorder)
        recorder.save()
    else:
        yield posteriors.advisor_with(posteriors.load())


@pytest.fixture(scope="session")
def unlearned() -> Recommender:
    """An adviser that answers from a few draws of the prior, whatever was recorded."""
    return posteriors.advisor_with(posteriors.Prior(200))


@pytest.fixture
def installation() -> Installation:
    """Seven needles, the middle one installed; clockwise is leaner, and faster at the idle stop."""
    body = ThrottleBody(lean_direction=TurnSense.CLOCKWISE, faster_direction=TurnSense.CLOCKWISE)
    return Installation(NEEDLES, "taper 30.0", body)


@pytest.fixture
def air() -> Air:
    """Standard air at sea level."""
    return Air(288.15, 101_325.0)


@pytest.fixture
def rng() -> np.random.Generator:
    """A seeded generator."""
    return np.random.default_rng(20_260_101)


@pytest.fixture
def folder(tmp_path: Path) -> Iterator[Path]:
    """An empty folder."""
    yield tmp_path
