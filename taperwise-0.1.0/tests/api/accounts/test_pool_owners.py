"""A person is one owner to the pool, an engine counts once whoever holds its log, no copy is ever contributed."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from taperwise.api.accounts.service import add, give_key
from taperwise.api.app import create_app
from taperwise.api.core.roles import Role, Scope
from taperwise.api.core.settings import Settings
from taperwise.api.ownership.adviser_access import give, grant_access
from taperwise.api.pooling.release import release
from taperwise.api.pooling.repository import live
from taperwise.api.schemas.pool_documents import PublishedDoc
from taperwise.shared.errors import ConflictError
from tests.api.accounts.conftest import NEEDLES
from tests.api.asking import Client, problem
from tests.api.conftest import StandIn
from tests.api.pooling import NOW, another_run, quick_fit


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

    def set_up(self, name: str, **rest: Any) -> str:
        """An installation of theirs."""
        return self.client.post("/api/v1/installations", json=NEEDLES | rest, headers=self.key(name)).headers[
            "Location"
        ]

    def run(self, name: str, place: str, run: dict[str, Any]) -> None:
        """A run of theirs, recorded."""
        assert self.client.post(f"{place}/runs", json=run, headers=self.key(name)).status_code == 201

    def asked(self, name: str, place: str) -> Any:
        """The answer to their consent."""
        return self.client.post(f"{place}/contribution", json={"consent": True}, headers=self.key(name))

    def contributed(self, name: str, shift: tuple[float, float], place: str = "", *runs: dict[str, Any]) -> str:
        """An engine run and contributed; without runs of its own, one that no other made."""
        place = place or self.set_up(name)
        for run in runs or (another_run(),):
            self.run(name, place, run)
        self._stand_in.shift = shift
        answer = self.asked(name, place)
        assert answer.status_code == 201, answer.text
        return place

    def imported(self, name: str, place: str, exporter: str) -> str:
        """What one of them exported, imported by another."""
        parcel = self.client.get(f"{place}/export", headers=self.key(exporter)).json()
        return self.client.post("/api/v1/installations/import", json=parcel, headers=self.key(name)).headers["Location"]

    def given(self, place: str, name: str) -> None:
        """Give an engine to somebody."""
        self.key(name)
        with self.database.unit() as session:
            give(session, int(place.rsplit("/", 1)[1]), self.numbers[name])

    def publish(self) -> PublishedDoc:
        """The next version."""
        return release(self.database, 5, NOW, quick_fit)

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
        yield _Owners(client, stand_in)


def test_one_person_is_one_owner(owners: _Owners) -> None:
    """Five engines of one person are nothing to publish; nor do four of theirs hide a stranger's fifth."""
    for i in range(5):
        owners.contributed("one", (1.0, float(i)))
    with pytest.raises(ConflictError, match="has 1 owner,"):
        owners.publish()
    for i in range(4):
        owners.contributed(f"other {i}", (2.0, float(i)))
    owners.publish()
    for i in range(4):
        owners.contributed("one", (3.0, float(i)))
    owners.contributed("stranger", (9.0, 0.0))
    with pytest.raises(ConflictError, match="only 2 owners since version 1"):
        owners.publish()


def test_another_engine_of_a_person_informs_their_next_one(owners: _Owners) -> None:
    """It is a different engine: one of its owner's starts from the version as anybody's does."""
    owners.contributed("one", (60.0, 0.0))
    for i in range(4):
        owners.contributed(f"other {i}", (1.0, float(i)))
    owners.publish()
    found = owners.started("one")
    assert found["prior"] == "pool"
    assert found == owners.started("newcomer")


def test_an_engine_that_was_given_away_counts_for_its_new_owner(owners: _Owners) -> None:
    """No more than one owner stands behind what somebody got and what they have."""
    place = owners.contributed("giver", (60.0, 0.0))
    for i in range(4):
        owners.contributed(f"other {i}", (1.0, float(i)))
    owners.given(place, "heir")
    owners.contributed("heir", (1.0, 5.0))
    with owners.database.reading() as session:
        assert len({row.owner for row in live(session)}) == 5
    owners.given(place, "other 0")
    assert owners.publish().engines == 5
    with owners.database.reading() as session:
        assert len({row.owner for row in live(session)}) == 5


def test_only_its_owner_sees_when_an_engine_came_and_went(owners: _Owners, monkeypatch: pytest.MonkeyPatch) -> None:
    """An adviser sees what left, and no history."""
    place = owners.contributed("one", (1.0, 0.0))
    adviser = owners.key("adviser", Role.ADVISER)
    with owners.database.unit() as session:
        grant_access(session, int(place.rsplit("/", 1)[1]), owners.numbers["adviser"])
    seen = owners.client.get(f"{place}/contribution", headers=adviser)
    assert (seen.status_code, seen.json()["history"]) == (200, [])
    assert len(owners.client.get(f"{place}/contribution", headers=owners.key("one")).json()["history"]) == 1
    monkeypatch.setattr(
        "taperwise.api.web.pool_comparison.needed_by", lambda _posterior: None
    )  # a stand-in has no posterior
    page = owners.client.get(place.replace("/api/v1", "") + "/similar", headers=adviser)
    assert page.status_code == 200
    assert "Told to you alone" not in page.text


def test_an_imported_copy_is_never_contributed(owners: _Owners) -> None:
    """Not by another person, nor by its own; nor once it was exported again, run on, or given away, even back."""
    place = owners.set_up("one")
    owners.run("one", place, another_run())
    copy = owners.imported("two", place, "one")
    further = owners.imported("three", copy, "two")
    own = owners.imported("one", place, "one")
    for name, at in (("two", copy), ("three", further), ("one", own)):
        told = problem(owners.asked(name, at), 409)
        assert "is a copy" in told["detail"]
        assert "where it was first recorded" in told["errors"][0]["cure"]
        owners.run(name, at, another_run())
        problem(owners.asked(name, at), 409)
    for name in ("heir", "one"):
        owners.given(copy, name)
        problem(owners.asked(name, copy), 409)
    assert owners.asked("one", place).status_code == 201


def test_the_page_says_why_a_copy_is_not_shared(owners: _Owners, monkeypatch: pytest.MonkeyPatch) -> None:
    """It offers no button, and a request made by hand is refused in the same words."""
    monkeypatch.setattr("taperwise.api.web.pool_comparison.needed_by", lambda _posterior: None)
    place = owners.set_up("one")
    owners.run("one", place, another_run())
    at = owners.imported("two", place, "one").replace("/api/v1", "")
    page = owners.client.get(f"{at}/similar", headers=owners.key("two")).text
    assert "is a copy" in page
    assert 'name="consent"' not in page
    refused = owners.client.post(f"{at}/leave", data={"consent": "1"}, headers=owners.key("two"))
    assert (refused.status_code, "is a copy" in refused.text) == (409, True)


_CELSIUS = {"air_temperature": {"value": 20, "unit": "degC"}, "pressure": {"value": 1012.5, "unit": "hPa"}}
_FAHRENHEIT = {"air_temperature": {"value": 68, "unit": "degF"}, "pressure": {"value": 101250, "unit": "Pa"}}
_PEAK = {"egt_rise": {"seen": "peak", "rise": {"value": 90, "unit": "delta_degF"}}}
_PEAK_IN_KELVIN = {"egt_rise": {"seen": "peak", "rise": {"value": 50, "unit": "delta_degC"}}}


def test_a_log_that_was_typed_again_counts_once(owners: _Owners) -> None:
    """Under another number, of another owner, in other units, with another note and time: toward the floor, the fit and
    the count of engines. Whoever typed it is answered as if it were new, since else they would know that it is in the
    pool; a trait that too few share keeps it out of versions as it would a new one.
    """
    first = owners.contributed("one", (40.0, 0.0), "", _FAHRENHEIT | _PEAK)
    for i in range(3):
        owners.contributed(f"other {i}", (1.0, float(i)))
    later = {"note": "copied", "time": "2026-01-05T10:00:00Z"}
    copy = owners.contributed("two", (40.0, 0.0), "", _CELSIUS | _PEAK_IN_KELVIN | later)
    rare = owners.set_up("three", engine={"cooling": "liquid"})
    owners.contributed("three", (40.0, 0.0), rare, _FAHRENHEIT | _PEAK)
    owners.contributed("one", (40.0, 0.0), "", _FAHRENHEIT | _PEAK)
    with pytest.raises(ConflictError, match="has 4 owners,"):
        owners.publish()
    owners.contributed("other 3", (1.0, 3.0))
    made = owners.publish()
    assert made.engines == 5
    at = made.unknowns.index("gain_full")
    assert made.mean[at] == pytest.approx((40.0 + 4 * 1.0) / (5 * 4 + 1), abs=0.02)
    for name, place, versions in (("one", first, [1]), ("two", copy, [1]), ("three", rare, [])):
        seen = owners.client.get(f"{place}/contribution", headers=owners.key(name)).json()
        assert (seen["withdrawn"], seen["in_versions"]) == (False, versions)


def test_a_copy_that_was_run_on_counts_once(owners: _Owners) -> None:
    """The log of one engine is known by how it begins, however it goes on: one run more, or other runs after it."""
    first = _FAHRENHEIT | _PEAK
    owners.contributed("one", (1.0, 0.0), "", first)
    owners.contributed("two", (1.0, 0.0), "", first, another_run())
    owners.contributed("three", (1.0, 0.0), "", first, another_run(), another_run())
    for i in range(3):
        owners.contributed(f"other {i}", (1.0, float(i)))
    with pytest.raises(ConflictError, match="has 4 owners,"):
        owners.publish()


def test_an_original_and_its_copy_are_no_difference_between_versions(owners: _Owners) -> None:
    """Taken back while a log typed again is there: that one stands in its place, and nothing is to be published."""
    place = owners.contributed("one", (1.0, 0.0), "", _FAHRENHEIT | _PEAK)
    owners.contributed("two", (1.0, 0.0), "", _CELSIUS | _PEAK_IN_KELVIN)
    for i in range(5):
        owners.contributed(f"other {i}", (1.0, float(i)))
    owners.publish()
    for i in range(3):
        owners.contributed(f"more {i}", (1.0, float(i)))
    assert owners.client.delete(f"{place}/contribution", headers=owners.key("one")).status_code == 200
    with pytest.raises(ConflictError, match="only 3 owners since version 1"):
        owners.publish()


def test_an_engine_with_more_runs_is_a_difference_of_its_owner(owners: _Owners) -> None:
    """Five owners whose engines ran on make another version; four do not."""
    places = [owners.contributed(f"other {i}", (1.0, float(i))) for i in range(6)]
    owners.publish()
    for i, place in enumerate(places[:5]):
        with pytest.raises(ConflictError, match="same as" if i == 0 else f"only {i} owners? since"):
            owners.publish()
        owners.contributed(f"other {i}", (2.0, float(i)), place)
    assert owners.publish().version == 2
