"""A service with a stand-in for the model, and one with the real model."""

import os
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from sqlalchemy import create_engine, make_url

from taperwise.api.app import create_app
from taperwise.api.core.database import Database
from taperwise.api.core.settings import Settings
from taperwise.api.recommendations import events
from taperwise.api.web import background_calls
from taperwise.model.design.limit_check import limit_action
from taperwise.model.inference.dataset import Evidence, gather
from taperwise.model.inference.earlier_fits import CHANCES
from taperwise.model.inference.engine_prior import POOLED, EnginePrior
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics.mixture import Unknowns
from taperwise.model.population.summary import Component, Summary
from taperwise.model.recommender import LookedBack, Recommender
from taperwise.shared.reasons import Reason, ReasonCode
from taperwise.shared.recommendation import (
    Action,
    ActionKind,
    AirOutlook,
    Candidate,
    Confidence,
    Diagnostics,
    Holding,
    Information,
    Interval,
    Prediction,
    Provenance,
    Stage,
    StageConfidence,
    Suggestion,
)
from taperwise.shared.records import Entry, Installation
from taperwise.shared.runs import Run
from tests.api.asking import Client
from tests.api.everything_on import ON_POSTGRES, everything_on_postgres  # noqa: F401 - a fixture for all that is here


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What the real model answers does not depend on the database, and is tried once; so is what chose its own."""
    if ON_POSTGRES:
        for item in items:
            asked = getattr(item, "fixturenames", ())
            if "recommender" in asked:
                item.add_marker(pytest.mark.skip(reason="about the model, tried without the server"))
            elif "url" in asked or "another_postgres" in asked:
                item.add_marker(pytest.mark.skip(reason="on a database of either kind, tried with everything else"))


@pytest.fixture(autouse=True)
def _short_streams(monkeypatch: pytest.MonkeyPatch) -> None:
    """A test that asks every address does not wait a minute for an answer that nobody makes."""
    monkeypatch.setattr(events, "LONGEST_SECONDS", 0.2)


_DIAGNOSTICS = Diagnostics(1.0, 1000, 1000, 0, 4, 1000, 0, True)


_DRAWN = 8 * _DIAGNOSTICS.chains


def _nothing_known(installation: Installation) -> Unknowns:
    """A few draws a chain of every unknown, from the prior."""
    return draw_unknowns(installation, np.random.default_rng(1), draws=_DRAWN)


@dataclass(frozen=True)
class _Posterior:
    installation: Installation
    entries: tuple[Entry, ...]
    diagnostics: Diagnostics = _DIAGNOSTICS
    seed: int = 7
    steps: Mapping[str, Any] = field(default_factory=dict)

    @cached_property
    def unknowns(self) -> Unknowns:
        """A few draws."""
        return _nothing_known(self.installation)

    @property
    def evidence(self) -> Evidence:
        """The log laid out."""
        return gather(self.installation, self.entries)


@dataclass(frozen=True)
class _Learned:
    posterior: _Posterior
    to_keep: Mapping[str, bytes]


_I = Interval(0.0, -0.1, 0.1, -0.2, 0.2)


class StandIn:
    """Answers at once, and the same for every log; counts how often it was asked to learn, and to fit alone."""

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self.ready = True
        self.learned = 0
        self.fitted = 0
        self.failure: BaseException | None = None
        self.diagnostics = _DIAGNOSTICS
        self.shift: tuple[float, float] | None = None
        self.prior: EnginePrior | None = None

    def prepare(self, progress: Callable[[str], None] = print) -> None:
        """Be ready."""
        self.ready = True

    def learn(
        self,
        installation: Installation,
        entries: Sequence[Entry],
        prior: EnginePrior | None = None,
        kept: Mapping[str, bytes] | None = None,
    ) -> Any:
        """Remember the log; of it there is something to keep that was not kept yet."""
        self.learned += 1
        self.prior = prior
        keys = self.earlier_keys(installation, entries, prior)
        to_keep = {key: b"a few draws" for key in keys if key not in (kept or {})}
        return _Learned(self._posterior(installation, entries), to_keep)

    def fit(self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None) -> Any:
        """The same without anything to keep."""
        self.fitted += 1
        self.prior = prior
        return self._posterior(installation, entries)

    def _posterior(self, installation: Installation, entries: Sequence[Entry]) -> _Posterior:
        if self.failure is not None:
            raise self.failure
        return _Posterior(installation, tuple(entries), self.diagnostics)

    def earlier_keys(
        self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None
    ) -> tuple[str, ...]:
        """One of each log, by its length."""
        return (f"{len(entries):064x}",)

    def look_back(
        self,
        installation: Installation,
        entries: Sequence[Entry],
        prior: EnginePrior | None = None,
        kept: Mapping[str, bytes] | None = None,
    ) -> Any:
        """A fit that is not to be believed."""
        posterior = replace(self._posterior(installation, entries), diagnostics=replace(_DIAGNOSTICS, converged=False))
        return LookedBack(posterior, dict.fromkeys(CHANCES, 0.5), {})  # type: ignore[arg-type]  # all that is asked for

    def summarise(self, posterior: Any) -> Summary:
        """A precision of its own for every log length."""
        size = len(POOLED)
        shift = np.zeros(size)
        shift[-2:] = self.shift or (1.0, float(len(posterior.entries)))
        return Summary((Component(4.0 * np.eye(size), shift),), 0.0)

    def what_if(
        self, posterior: Any, turns: float = 0.0, needle: str | None = None, density: float | None = None
    ) -> Prediction:
        """Check the question as the real one does, then answer it."""
        from taperwise.shared.limits import ScrewStep

        if turns:
            ScrewStep(turns, posterior.installation.limits)
        fitted = posterior.installation.needle(needle or posterior.installation.fitted_needle).label
        return Prediction(fitted, turns, 1.0, _I, 0.1, 0.0, _I, _I, (0.1, 0.2, 0.4, 0.2, 0.1), _I, 0.5, 0.5, 0.3, 0.02)

    def will_it_hold(self, posterior: Any) -> Holding:
        """The same in any air."""
        air = AirOutlook(1.0, 0.0, _I, 0.5, 0.5, 0.3, 0.1)
        return Holding(air, air, (0.9, 1.1), (air,))

    def suggest(self, learned: Any) -> Suggestion:
        """A repeat, or a stop where a limit was exceeded."""
        posterior = learned.posterior
        runs = sum(isinstance(e, Run) for e in posterior.entries)
        action = (limit_action(posterior.evidence) if runs else None) or Action(ActionKind.REPEAT_RUN)
        predicted, none = self.what_if(posterior), StageConfidence(0.5, False, False)
        confidence = Confidence(
            Stage.FULL_THROTTLE,
            none,
            none,
            none,
            0.3,
            0.02,
            _I,
            _I,
            0.0,
            0.0,
            posterior.installation.fitted_needle,
            runs,
            runs,
            runs_here=runs,
        )
        gain = Information(0.3, 0.02)
        return Suggestion(
            Stage.FULL_THROTTLE, action, Reason(ReasonCode.NOT_SEEN_YET), predicted, gain,
            () if action.kind is ActionKind.INSPECT else (Candidate(action, gain, predicted, 0.5, None),), confidence,
            Provenance(self.seed, "1", posterior.diagnostics),
        )  # fmt: skip


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages wait for their answer, however slow the machine; a test that is about waiting says otherwise."""
    monkeypatch.setattr(background_calls, "_PATIENCE_SECONDS", 30.0)


@pytest.fixture
def stand_in() -> StandIn:
    """The stand-in behind `client`."""
    return StandIn(7)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """Settings with a data folder of their own."""
    return Settings(data_folder=tmp_path, database_url="", max_body_bytes=262_144)


@pytest.fixture
def client(settings: Settings, stand_in: StandIn) -> Iterator[Client]:
    """A client of a service with the stand-in."""
    with Client(create_app(settings, lambda _seed: stand_in), raise_server_exceptions=False) as made:
        yield made


@pytest.fixture
def real_client(settings: Settings, recommender: Recommender) -> Iterator[Client]:
    """A client of a service with the real model."""
    with Client(create_app(settings, lambda _seed: recommender)) as made:
        yield made


@pytest.fixture
def recorded_client(settings: Settings, recorded: Recommender) -> Iterator[Client]:
    """A client of a service with the real model, which knows the posteriors that were recorded."""
    with Client(create_app(settings, lambda _seed: recorded)) as made:
        yield made


@pytest.fixture
def needles() -> list[dict[str, Any]]:
    """Seven needles, as sent."""
    return [
        {"label": f"taper {s:.1f}", "taper_slope": {"value": s, "unit": "mm/m"}}
        for s in (28.2, 28.8, 29.4, 30.0, 30.6, 31.2, 31.8)
    ]


@pytest.fixture
def place(client: Client, needles: list[dict[str, Any]]) -> str:
    """Address of an installation with the stand-in."""
    answer = client.post("/api/v1/installations", json={"needles": needles, "fitted_needle": "taper 30.0"})
    assert answer.status_code == 201, answer.text
    return str(answer.headers["Location"])


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """A database that is new: a file, or one made on the server that TAPERWISE_TEST_POSTGRES names."""
    if request.param == "sqlite":
        yield f"sqlite:///{tmp_path / 'a' / 'new.db'}"
        return
    yield from _new_on_a_server()


def _new_on_a_server() -> Iterator[str]:
    server = os.environ.get("TAPERWISE_TEST_POSTGRES")
    if server is None:
        pytest.skip("TAPERWISE_TEST_POSTGRES names no server")
    name = f"taperwise_{uuid.uuid4().hex}"
    engine = create_engine(server, isolation_level="AUTOCOMMIT")
    with engine.connect() as connection:
        connection.exec_driver_sql(f"CREATE DATABASE {name}")
        yield make_url(server).set(database=name).render_as_string(hide_password=False)
        connection.exec_driver_sql(f"DROP DATABASE {name} WITH (FORCE)")
    engine.dispose()


@pytest.fixture
def another_postgres() -> Iterator[str]:
    """A new database on the server, whatever else a test uses."""
    yield from _new_on_a_server()


@pytest.fixture
def database(url: str) -> Iterator[Database]:
    """A new database of either kind, with its tables."""
    made = Database(url)
    made.migrate()
    yield made
    made.close()
