"""A pool on its way between services: what goes, what is refused, and that two of them together expose nobody."""

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete, select

from taperwise.api.core.database import Database
from taperwise.api.pooling.exchange import export, merge, read
from taperwise.api.pooling.release import release
from taperwise.api.pooling.repository import add, all_digests, live
from taperwise.api.pooling.repository import elsewhere as storage_elsewhere
from taperwise.api.pooling.tables import Elsewhere
from taperwise.api.schemas.pool_documents import checksum, digest
from taperwise.shared.errors import ConflictError, InvalidValueError
from tests.api.asking import Client
from tests.api.conftest import StandIn
from tests.api.pooling import NEEDLES, NOW, contributed, database_of, publish, quick_fit


@pytest.fixture
def elsewhere(tmp_path: Path) -> Iterator[Database]:
    """Another service's database."""
    database = Database(f"sqlite:///{tmp_path / 'elsewhere.db'}")
    database.migrate()
    yield database
    database.close()


def _exported(client: Client, tmp_path: Path) -> Path:
    with database_of(client).unit() as session:
        document = export(session, 5)
    path = tmp_path / "pool.json"
    path.write_text(json.dumps(document.model_dump(mode="json")), encoding="utf-8")
    return path


def test_a_pool_goes_from_one_service_to_another(
    client: Client, stand_in: StandIn, elsewhere: Database, tmp_path: Path
) -> None:
    """All contributions arrive once, owners stay apart without being named, withdrawals follow, nothing comes back."""
    made = [contributed(client, stand_in, (float(i), 1.0)) for i in range(6)]
    first = _exported(client, tmp_path).read_text(encoding="utf-8")
    assert not any(m["owner"] in first for m in made)
    (tmp_path / "first.json").write_text(first, encoding="utf-8")
    with elsewhere.unit() as session:
        assert merge(session, read(tmp_path / "first.json"), NOW, 5) == (6, 0, 0, 0)
    with elsewhere.unit() as session, pytest.raises(ConflictError, match="here already"):
        merge(session, read(tmp_path / "first.json"), NOW, 5)
    assert release(elsewhere, 5, NOW, quick_fit).engines == 5
    client.delete(f"{made[0]['place']}/contribution")
    contributed(client, stand_in, (9.0, 1.0))
    with elsewhere.unit() as session:
        assert merge(session, read(_exported(client, tmp_path)), NOW, 5) == (1, 5, 1, 0)
    with elsewhere.unit() as session, pytest.raises(ConflictError, match="here already"):
        merge(session, read(tmp_path / "first.json"), NOW, 5)


def test_two_services_together_expose_nobody(
    client: Client, stand_in: StandIn, elsewhere: Database, tmp_path: Path
) -> None:
    """What both publish must differ by five owners, too, or be the same: whichever of them goes first."""
    for i in range(6):
        contributed(client, stand_in, (float(i), 1.0))
    publish(client)
    contributed(client, stand_in, (7.0, 1.0))
    path = _exported(client, tmp_path)
    with elsewhere.unit() as session:
        merge(session, read(path), NOW, 5)
        add(session, None, "f" * 64, "0" * 64, _shown(client), NOW)
    for owners in (1, 2):  # beside all that was sent, and beside the version published there
        with pytest.raises(ConflictError, match=f"by {owners} owners from what another service"):
            release(elsewhere, 5, NOW, quick_fit)
        with elsewhere.unit() as session:
            session.delete(session.scalars(select(Elsewhere).order_by(Elsewhere.id).limit(1)).one())
    for i in range(4):
        contributed(client, stand_in, (8.0, float(i)))
    with pytest.raises(ConflictError, match="by 4 owners from what another service"):
        publish(client)


def test_what_no_service_may_publish_holds_back_no_other(
    client: Client, stand_in: StandIn, elsewhere: Database, tmp_path: Path
) -> None:
    """Engines of rare kinds go along and wait there too; what is compared is what the other service may publish."""
    for i in range(6):
        contributed(client, stand_in, (float(i), 1.0))
    for i in range(2):
        contributed(client, stand_in, (float(i), 2.0), engine={"cooling": "liquid"})
    path = _exported(client, tmp_path)
    with elsewhere.unit() as session:
        assert merge(session, read(path), NOW, 5).taken == 8
    assert release(elsewhere, 5, NOW, quick_fit).engines == 5
    client.delete("/api/v1/installations/1/contribution")
    with pytest.raises(ConflictError, match="by 1 owners from what another service"):
        publish(client)


def test_a_file_that_brings_but_a_version_is_remembered(
    client: Client, stand_in: StandIn, elsewhere: Database, tmp_path: Path
) -> None:
    """What another service published of what is known here already counts all the same."""
    for i in range(6):
        contributed(client, stand_in, (float(i), 1.0))
    with elsewhere.unit() as session:
        merge(session, read(_exported(client, tmp_path)), NOW, 5)
    release(elsewhere, 5, NOW, quick_fit)
    with elsewhere.unit() as session:
        back = export(session, 5).model_dump(mode="json")
    (tmp_path / "back.json").write_text(json.dumps(back), encoding="utf-8")
    with database_of(client).unit() as session:
        session.execute(delete(Elsewhere))
        assert merge(session, read(tmp_path / "back.json"), NOW, 5) == (0, 6, 0, 0)
        assert [len(members) for members in storage_elsewhere(session)] == [6]
    with database_of(client).unit() as session, pytest.raises(ConflictError, match="here already"):
        merge(session, read(tmp_path / "back.json"), NOW, 5)


def _shown(client: Client) -> dict[str, Any]:
    return dict(client.get("/api/v1/installations/1/contribution").json()["contribution"])


def test_a_file_withdraws_nothing_that_was_contributed_here(client: Client, stand_in: StandIn, tmp_path: Path) -> None:
    """Anybody can make a file with a checksum that fits; only owners take back what is theirs."""
    for i in range(5):
        contributed(client, stand_in, (float(i), 1.0))
    forged = json.loads(_exported(client, tmp_path).read_text(encoding="utf-8"))
    names = [digest(each["contribution"]) for each in forged["contributions"]]
    another = {**forged["contributions"][0]["contribution"], "mark": "1" * 64}
    forged |= {"withdrawn": names, "contributions": [{"owner": "2" * 64, "contribution": another}]}
    forged["checksum"] = checksum(forged)
    (tmp_path / "forged.json").write_text(json.dumps(forged), encoding="utf-8")
    with database_of(client).unit() as session:
        assert merge(session, read(tmp_path / "forged.json"), NOW, 5) == (1, 0, 0, 5)
        assert len(live(session)) == 6


def test_a_file_of_the_first_schema_is_read(
    client: Client, stand_in: StandIn, elsewhere: Database, tmp_path: Path
) -> None:
    """A contribution that says neither mark nor scale is known by the digest it always had."""
    for i in range(5):
        contributed(client, stand_in, (float(i), 1.0))
    old = json.loads(_exported(client, tmp_path).read_text(encoding="utf-8"))
    for each in old["contributions"]:
        del each["contribution"]["mark"], each["contribution"]["scale"]
        each["contribution"]["schema_version"] = 1
    written = json.dumps(old["contributions"][0]["contribution"], sort_keys=True, separators=(",", ":"))
    del old["published"]
    old["schema_version"] = 1
    old["checksum"] = checksum(old)
    (tmp_path / "old.json").write_text(json.dumps(old), encoding="utf-8")
    with elsewhere.unit() as session:
        assert merge(session, read(tmp_path / "old.json"), NOW, 5).taken == 5
        assert hashlib.sha256(written.encode()).hexdigest() in all_digests(session)
    assert release(elsewhere, 5, NOW, quick_fit).engines == 5


def test_other_units_are_neither_fitted_nor_merged_nor_served(
    client: Client, stand_in: StandIn, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a change of the table of priors, what was told before means something else."""
    client.app.state.fitter = quick_fit  # type: ignore[attr-defined] # the client hides the application's type
    for i in range(6):
        contributed(client, stand_in, (2.0, float(i)))
    publish(client)
    place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    assert client.post(f"{place}/prior", json={"prior": "pool"}).json()["prior"] == "pool"
    path = _exported(client, tmp_path)
    for module in (
        "taperwise.api.schemas.pool_documents",
        "taperwise.api.installations.prior",
        "taperwise.api.pooling.prior_source",
        "taperwise.api.pooling.fitting",
    ):
        monkeypatch.setattr(f"{module}.SCALE", "0" * 16)
    kept = client.get(f"{place}/start").json()["prior"]
    assert (kept["prior"], "another release" in kept["why"]) == ("expert", True)
    another = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    assert "units of another release" in client.post(f"{another}/prior", json={"prior": "pool"}).json()["why"]
    with pytest.raises(InvalidValueError, match="other units"):
        read(path)
    with pytest.raises(ConflictError, match="0 distinct owners"):
        publish(client)


def test_an_export_that_was_tampered_with_is_refused(client: Client, stand_in: StandIn, tmp_path: Path) -> None:
    """One changed digit, a future version, a broken matrix or half a file: each is refused and said why."""
    for i in range(5):
        contributed(client, stand_in, (float(i), 1.0))
    path = _exported(client, tmp_path)
    good: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))

    def refused(document: Any, why: str) -> None:
        path.write_text(document if isinstance(document, str) else json.dumps(document), encoding="utf-8")
        with pytest.raises(InvalidValueError, match=why):
            read(path)

    changed = json.loads(json.dumps(good))
    changed["contributions"][0]["contribution"]["components"][0]["shift"][0] += 0.1
    refused(changed, "checksum does not fit")
    refused({**good, "schema_version": 3}, "newer release")
    indefinite = json.loads(json.dumps(good))
    indefinite["contributions"][0]["contribution"]["components"][0]["precision"][0][0] = -3.0
    indefinite["checksum"] = checksum(indefinite)
    refused(indefinite, "must not be negative")
    refused(json.dumps(good)[: len(json.dumps(good)) // 2], "cannot be read")
    refused(json.dumps(good).replace('"shift": [0.0', '"shift": [NaN', 1), "cannot be read")
    refused([], "no object")
