"""Figures of one application in Prometheus' format; each application has a registry of its own."""

import platform
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from prometheus_client import (
    CollectorRegistry,
    Counter,
    GCCollector,
    Histogram,
    Info,
    ProcessCollector,
    generate_latest,
)
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector
from sqlalchemy.exc import SQLAlchemyError

from taperwise.api import __version__
from taperwise.model import MODEL_VERSION
from taperwise.shared.recommendation import Diagnostics

__all__ = ["Metrics"]

_REQUEST_SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0)
_UPDATE_SECONDS = (0.05, 0.1, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 15.0, 30.0, 60.0, 120.0)


class Metrics:
    """Counts what happens, and looks up what waits when it is asked.

    Parameters
    ----------
    waiting : callable
        How many answers wait, and when the latest entry of the one that waits longest was recorded.
    """

    def __init__(self, waiting: Callable[[], tuple[int, datetime | None]]) -> None:
        self._registry = registry = CollectorRegistry()
        self._requests = Histogram(
            "taperwise_request_seconds", "Time to answer a request.", ("method", "route", "status"),
            registry=registry, buckets=_REQUEST_SECONDS,
        )  # fmt: skip
        self._updates = Histogram(
            "taperwise_update_seconds", "Time to learn from a log.", registry=registry,
            buckets=_UPDATE_SECONDS,
        )  # fmt: skip
        self._divergences = Counter("taperwise_divergences", "Divergent transitions of the sampler.", registry=registry)
        self._unconverged = Counter(
            "taperwise_posteriors_not_converged", "Posteriors that cannot be trusted.", registry=registry
        )
        self._again = Counter(
            "taperwise_refits", "Times a posterior was drawn again with more care.", registry=registry
        )
        self._failures = Counter("taperwise_failures", "What failed, by kind.", ("kind",), registry=registry)
        registry.register(_Waiting(waiting))
        ProcessCollector(registry=registry)
        GCCollector(registry=registry)
        build = Info("taperwise_build", "Release of the service, and version of its model.", registry=registry)
        build.info({"version": __version__, "model": MODEL_VERSION, "python": platform.python_version()})

    def request(self, method: str, route: str, status: int, seconds: float) -> None:
        """A request was answered."""
        self._requests.labels(method, route, str(status)).observe(seconds)

    @contextmanager
    def update(self) -> Iterator[Callable[[Diagnostics], None]]:
        """A log is being learned; what is given tells how it went."""
        begun = time.perf_counter()

        def learned(diagnostics: Diagnostics) -> None:
            # Histogram.time() counts what failed too: test_the_sampler_is_watched
            self._updates.observe(time.perf_counter() - begun)
            self._divergences.inc(diagnostics.divergences)
            self._again.inc(diagnostics.refits)
            self._unconverged.inc(not diagnostics.converged)

        with self._failures.labels("learning").count_exceptions(BaseException):
            yield learned

    def failure(self, kind: str) -> None:
        """Something failed: ``database``, ``replaced``, ``disk_full``, ``crowded``, ``unsafe`` or ``unforeseen``."""
        self._failures.labels(kind).inc()

    def told(self) -> bytes:
        """All figures, in Prometheus' text format."""
        return generate_latest(self._registry)


class _Waiting(Collector):
    """Answers that wait, as the data say at this moment; none of these figures while the database does not answer."""

    def __init__(self, waiting: Callable[[], tuple[int, datetime | None]]) -> None:
        self._waiting = waiting

    def describe(self) -> Iterable[Metric]:
        """Nothing is asked of the database before the first question."""
        return ()

    def collect(self) -> Iterable[Metric]:
        """How many, and the age of the oldest."""
        # Gauge.set_function fails with the database: test_failures_are_counted_and_figures_outlive_the_database
        try:
            count, since = self._waiting()
        except SQLAlchemyError:
            return
        age = 0.0 if since is None else max(0.0, (datetime.now(UTC) - since).total_seconds())
        yield GaugeMetricFamily("taperwise_jobs_waiting", "Answers that wait to be made.", value=count)
        yield GaugeMetricFamily("taperwise_oldest_job_seconds", "Age of the oldest of them.", value=age)
