"""Engines that contribute to the pool of a test service."""

from datetime import UTC, datetime
from itertools import count
from typing import Any

import numpy as np

from taperwise.api.accounts.service import add
from taperwise.api.core.database import Database
from taperwise.api.core.roles import Role
from taperwise.api.ownership.adviser_access import give
from taperwise.api.pooling.release import release
from taperwise.api.schemas.pool_documents import PublishedDoc
from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.population.covariates import COVARIATES
from taperwise.model.population.engine_summaries import EngineSummaries
from taperwise.model.population.fitting import Population
from tests.api.asking import RISE, RUN, Client
from tests.api.conftest import StandIn

NEEDLES = [{"label": "a", "taper_slope": {"value": 30, "unit": "mm/m"}}]


NOW = datetime(2026, 5, 17, tzinfo=UTC)
"""When versions of tests are published."""

_NUMBERS = count(1)


def database_of(client: Client) -> Database:
    """The database of a test service."""
    database: Database = client.app.state.database  # type: ignore[attr-defined] # the client hides the application's type
    return database


def publish(client: Client, floor: int = 5) -> PublishedDoc:
    """The next version, at once."""
    return release(database_of(client), floor, NOW, quick_fit)


def quick_fit(measured: EngineSummaries) -> Population:
    """A population at once: the mean of what was measured, and a spread; its numbers move with every contribution."""
    rng = np.random.default_rng(1)
    centre = np.linalg.solve(measured.precision[:, 0].sum(0) + np.eye(len(POOLED)), measured.shift[:, 0].sum(0))
    beta = 0.1 * rng.standard_normal((500, len(COVARIATES), len(POOLED)))
    beta[:, 0] += centre
    tau = 0.3 * np.exp(0.1 * rng.standard_normal((500, len(POOLED))))
    return Population(beta, tau, len(measured), "nuts", 1.0, 500.0)


def another_run() -> dict[str, Any]:
    """A run that no other engine made."""
    seen = RISE["egt_rise"] | {"rise": {"value": 60 + next(_NUMBERS) / 64, "unit": "delta_degF"}}
    return RUN | {"egt_rise": seen}


def owned(client: Client, place: str, owner: int = 0) -> int:
    """Give an engine to a person, a new one where none is named; the person's number."""
    with database_of(client).unit() as session:
        number = owner or add(session, f"owner {next(_NUMBERS)}", [Role.BUILDER]).id
        give(session, int(place.rpartition("/")[2]), number)
    return number


def contributed(
    client: Client, stand_in: StandIn, shift: tuple[float, float], engine: Any = None, owner: int = 0
) -> dict[str, Any]:
    """An engine set up, owned, run and contributed; the answer with its address and its owner's number."""
    place = client.post("/api/v1/installations", json={"needles": NEEDLES, "engine": engine or {}}).headers["Location"]
    person = owned(client, place, owner)
    assert client.post(f"{place}/runs", json=another_run()).status_code == 201
    stand_in.shift = shift
    answer = client.post(f"{place}/contribution", json={"consent": True})
    assert answer.status_code == 201, answer.text
    found: dict[str, Any] = {**answer.json(), "place": place, "owner": person}
    return found
