"""A service that tells people apart, and everybody's keys."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from api.access.people import add, give_key
from api.access.roles import Role, Scope
from api.app import create_app
from api.belongings.trusts import entrust, give
from api.settings import Settings
from shared.errors import NotConvergedError
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


@pytest.fixture
def house(folder: Path) -> Iterator[House]:
    """A new one for every test."""
    settings = Settings(data_folder=folder, database_url="", access="keys")
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
            client.post("/api/v1/installations", json=NEEDLES, headers=made.headers(name)).json()["id"]
            for name in ("builder", "other")
        ]
        with database.unit() as session:
            give(session, both[0], numbers["builder"])
            entrust(session, both[0], numbers["adviser"])
        yield House(client, keys, numbers, both[0], both[1])
