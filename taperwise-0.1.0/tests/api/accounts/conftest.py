"""A service that tells people apart, and everybody's keys."""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from fastapi.routing import APIRoute
from starlette.routing import Route

from taperwise.api.accounts.service import add, give_key
from taperwise.api.app import create_app
from taperwise.api.core.roles import Role, Rule, Scope, rule_of
from taperwise.api.core.settings import Settings
from taperwise.api.ownership.adviser_access import give, grant_access
from taperwise.shared.errors import NotConvergedError
from tests.api.asking import Client
from tests.api.conftest import StandIn

NEEDLES = {"needles": [{"label": "A", "taper_slope": {"value": 30.0, "unit": "mm/m"}}]}


@dataclass(frozen=True)
class House:
    """A service with people in it.

    `keys` by name: builder, other (another builder), adviser (entrusted with the builder's installation), stranger (an
    adviser with nothing), keeper, administrator, reader (the builder's key for reading only). `numbers` of people.
    """

    client: Client
    keys: dict[str, str]
    numbers: dict[str, int]
    builders: int
    others: int

    def headers(self, name: str) -> dict[str, str]:
        """What says who asks; nothing for nobody."""
        return {} if name == "nobody" else {"Authorization": f"Bearer {self.keys[name]}"}


ROLES = {
    "builder": [Role.BUILDER],
    "other": [Role.BUILDER],
    "adviser": [Role.ADVISER],
    "stranger": [Role.ADVISER],
    "keeper": [Role.POOL_KEEPER],
    "administrator": [Role.ADMINISTRATOR],
}


NAME = "the kite in hangar 7"
"""What the builder calls the installation: nobody else may read it."""


def routes_of(routes: Iterable[Any]) -> list[tuple[str, str, Rule | None]]:
    """Method, path and rule of every route there is, the pages' too; a kind of route that is not known fails."""
    found: list[tuple[str, str, Rule | None]] = []
    for route in routes:
        if hasattr(route, "original_router"):
            found += routes_of(route.original_router.routes)
        elif type(route) is Route and route.path == "/openapi.json":
            found += [(method, route.path, Rule.ANYONE) for method in sorted(route.methods or ())]
        else:
            assert isinstance(route, APIRoute), route
            found += [(method, route.path, rule_of(route)) for method in sorted(route.methods)]
    return found


@pytest.fixture
def house(folder: Path) -> Iterator[House]:
    """A new one for every test."""
    with opened(folder) as made:
        yield made


@contextmanager
def opened(folder: Path, a_minute: int = 600) -> Iterator[House]:
    """A service with people in it, which answers so many requests a minute."""
    settings = Settings(data_folder=folder, database_url="", access="keys", requests_a_minute=a_minute)
    stand_in = StandIn(settings.seed)
    stand_in.failure = NotConvergedError("a stand-in learns nothing", cure="Make another run.")
    app = create_app(settings, lambda _seed: stand_in)
    with Client(app, raise_server_exceptions=False, base_url="http://127.0.0.1") as client:
        app.state.desk.prepare()
        database = app.state.database
        keys, numbers = {}, {}
        with database.unit() as session:
            for name, roles in ROLES.items():
                numbers[name] = add(session, name, roles).id
                keys[name] = give_key(session, numbers[name], "test", Scope.EVERYTHING)[1]
            keys["reader"] = give_key(session, numbers["builder"], "display", Scope.READING)[1]
        made = House(client, keys, numbers, 0, 0)
        both = [
            client.post(
                "/api/v1/installations",
                json=NEEDLES | {"name": NAME if name == "builder" else ""},
                headers=made.headers(name),
            ).json()["id"]
            for name in ("builder", "other")
        ]
        with database.unit() as session:
            give(session, both[0], numbers["builder"])
            grant_access(session, both[0], numbers["adviser"])
        yield House(client, keys, numbers, both[0], both[1])
