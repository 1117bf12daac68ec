"""Where people are told apart, the pool knows each person as one owner, whatever they say."""

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from taperwise.api.accounts.service import add, give_key
from taperwise.api.accounts.tables import Person
from taperwise.api.app import create_app
from taperwise.api.core.roles import Role, Scope
from taperwise.api.core.settings import Settings
from taperwise.api.installations.prior import prior_row
from taperwise.api.ownership.adviser_access import give, grant_access
from taperwise.api.pooling.release import release
from taperwise.api.pooling.repository import live
from taperwise.shared.errors import ConflictError
from tests.api.accounts.conftest import NEEDLES
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn
from tests.api.pooling import quick_fit

_NOW = datetime(2026, 5, 17, tzinfo=UTC)


class _Owners:
    """A service with people who contribute."""

    def __init__(self, client: Client, stand_in: StandIn) -> None:
        self.client, self._stand_in = client, stand_in
        self.database = client.app.state.database  # type: ignore[attr-defined] # the client hides the application's type
        self._keys: dict[str, dict[str, str]] = {}
        self.numbers: dict[str, int] = {}

    def key(self, name: str, role: Role = Role.BUILDER) -> dict[str, str]:
        """What says that it is they who ask; made known if they are not."""
        if name not in self._keys:
            with self.database.unit() as session:
                self.numbers[name] = add(session, name, [role]).id
                secret = give_key(session, self.numbers[name], "test", Scope.EVERYTHING)[1]
            self._keys[name] = {"Authorization": f"Bearer {secret}"}
        return self._keys[name]

    def set_up(self, name: str) -> str:
        """An installation of theirs."""
        return self.client.post("/api/v1/installations", json=NEEDLES, headers=self.key(name)).headers["Location"]

    def contributed(self, name: str, shift: tuple[float, float], place: str = "") -> tuple[str, dict[str, Any]]:
        """An engine run and contributed."""
        place = place or self.set_up(name)
        assert self.client.post(f"{place}/runs", json=RUN, headers=self.key(name)).status_code == 201
        self._stand_in.shift = shift
        answer = self.client.post(f"{place}/contribution", json={"consent": True}, headers=self.key(name))
        assert answer.status_code == 201, answer.text
        return place, answer.json()

    def publish(self) -> None:
        """The next version."""
        release(self.database, 5, _NOW, quick_fit)

    def started(self, name: str, place: str = "") -> dict[str, Any]:
        """Where an engine of theirs starts from."""
        place = place or self.set_up(name)
        answer = self.client.post(f"{place}/prior", json={"prior": "pool"}, headers=self.key(name))
        assert answer.status_code == 201, answer.text
        found: dict[str, Any] = answer.json()
        return found


@pytest.fixture
def owners(folder: Path) -> Iterator[_Owners]:
    """Nobody yet."""
    settings = Settings(data_folder=folder, database_url="", access="keys")
    stand_in = StandIn(settings.seed)
    app = create_app(settings, lambda _seed: stand_in)
    with Client(app, base_url="http://127.0.0.1") as client:
        app.state.desk.prepare()
        app.state.fitter = quick_fit
        yield _Owners(client, stand_in)


def test_one_person_is_one_owner_whatever_they_leave_blank(owners: _Owners) -> None:
    """Five engines of one person, no token given with any, are nothing to publish; nor do four of theirs hide a
    stranger's fifth.
    """
    for i in range(5):
        owners.contributed("one", (1.0, float(i)))
    with pytest.raises(ConflictError, match="1 distinct owners"):
        owners.publish()
    for i in range(4):
        owners.contributed(f"other {i}", (2.0, float(i)))
    owners.publish()
    for i in range(4):
        owners.contributed("one", (3.0, float(i)))
    owners.contributed("stranger", (9.0, 0.0))
    with pytest.raises(ConflictError, match="differ from version 1 by 2 owners"):
        owners.publish()


def test_a_persons_engines_never_inform_their_next_one(owners: _Owners) -> None:
    """Set up anew, their engine starts from what others left, or from the expert's word."""
    owners.contributed("one", (60.0, 0.0))
    for i in range(4):
        owners.contributed(f"other {i}", (1.0, float(i)))
    owners.publish()
    assert owners.started("one")["prior"] == "expert"
    assert owners.started("newcomer")["prior"] == "pool"
    for i in range(5):
        owners.contributed(f"more {i}", (2.0, float(i)))
    owners.publish()
    assert "your own engines left out" in owners.started("one")["why"]


def test_an_engine_that_was_given_away_is_its_new_owners_own(owners: _Owners) -> None:
    """Who got an engine after it was contributed does not start another one from it, and no more than one owner
    stands behind what they got and what they have.
    """
    place, _ = owners.contributed("giver", (60.0, 0.0))
    for i in range(9):
        owners.contributed(f"other {i}", (1.0, float(i)))
    owners.publish()
    owners.key("heir")
    with owners.database.unit() as session:
        give(session, int(place.rsplit("/", 1)[1]), owners.numbers["heir"])
    assert "your own engines left out" in owners.started("heir")["why"]
    owners.contributed("heir", (1.0, 5.0))
    with owners.database.reading() as session:
        assert len({row.owner for row in live(session)}) == 10
        kept = prior_row(session, int(place.rsplit("/", 1)[1]))
        person = session.get_one(Person, owners.numbers["giver"])
        assert kept is not None
        assert kept.owner != person.pool_token


def test_what_an_adviser_chose_to_start_from_is_chosen_anew_by_the_owner(owners: _Owners) -> None:
    """Set up from the pool by an adviser, then given to somebody who stands behind it: their own engines stay out."""
    owners.contributed("client", (60.0, 0.0))
    for i in range(9):
        owners.contributed(f"other {i}", (1.0, float(i)))
    owners.publish()
    owners.key("adviser", Role.ADVISER)
    place = owners.set_up("adviser")
    assert owners.started("adviser", place)["why"] == "the latest published version"
    with owners.database.unit() as session:
        give(session, int(place.rsplit("/", 1)[1]), owners.numbers["client"])
    prior = owners.client.get(f"{place}/start", headers=owners.key("client")).json()["prior"]
    assert (prior["prior"], "choose anew" in prior["why"]) == ("expert", True)
    assert "your own engines left out" in owners.started("client", place)["why"]


def test_what_an_adviser_chose_to_start_from_stays_with_a_newcomer(owners: _Owners) -> None:
    """Nothing of the new owner is in that version: the engine starts from it, as it was set up to."""
    for i in range(9):
        owners.contributed(f"other {i}", (1.0, float(i)))
    owners.publish()
    owners.key("adviser", Role.ADVISER)
    place = owners.set_up("adviser")
    chosen = owners.started("adviser", place)
    owners.key("newcomer")
    with owners.database.unit() as session:
        give(session, int(place.rsplit("/", 1)[1]), owners.numbers["newcomer"])
    assert owners.client.get(f"{place}/start", headers=owners.key("newcomer")).json()["prior"] == chosen
    assert chosen["prior"] == "pool"


def test_no_token_is_shown_or_taken_where_people_are_told_apart(
    owners: _Owners, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A token would let whoever saw it ask for a version without its owner; an adviser sees what left, and no token."""
    place, left = owners.contributed("one", (1.0, 0.0))
    assert left["owner"] is None
    adviser = owners.key("adviser", Role.ADVISER)
    with owners.database.unit() as session:
        grant_access(session, int(place.rsplit("/", 1)[1]), owners.numbers["adviser"])
    seen = owners.client.get(f"{place}/contribution", headers=adviser)
    assert (seen.status_code, seen.json()["owner"], seen.json()["history"]) == (200, None, [])
    assert len(owners.client.get(f"{place}/contribution", headers=owners.key("one")).json()["history"]) == 1
    monkeypatch.setattr(
        "taperwise.api.web.pool_comparison.needed_by", lambda _posterior: None
    )  # a stand-in has no posterior
    page = owners.client.get(place.replace("/api/v1", "") + "/similar", headers=adviser)
    assert page.status_code == 200
    assert "token" not in page.text
    assert "Told to you alone" not in page.text
    another = owners.set_up("two")
    somebodys = {"owner": "a" * 32}
    refused = owners.client.post(f"{another}/prior", json={"prior": "pool", **somebodys}, headers=owners.key("two"))
    assert problem(refused, 422)["errors"][0]["field"] == "owner"
    owners.client.post(f"{another}/runs", json=RUN, headers=owners.key("two"))
    refused = owners.client.post(
        f"{another}/contribution", json={"consent": True, **somebodys}, headers=owners.key("two")
    )
    assert problem(refused, 422)["errors"][0]["field"] == "owner"
