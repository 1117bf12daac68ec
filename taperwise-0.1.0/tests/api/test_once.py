"""What is sent once is done once: draft-ietf-httpapi-idempotency-key-header-07, sections 2.1, 2.6 and 2.7."""

import base64
import json
import threading
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import func, select, update
from starlette.testclient import TestClient

from taperwise.api.app import create_app
from taperwise.api.backup.backup import back_up, checked_copy
from taperwise.api.core.database import Base, Database
from taperwise.api.core.idempotency import KEPT_FOR, IdempotencyKey
from taperwise.api.core.settings import Settings
from taperwise.api.ownership.erasure import erase, erase_installation
from tests.api.accounts.conftest import House, opened, routes_of
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn
from tests.api.pooling import owned
from tests.api.test_photos import taken
from tests.api.web.test_forms import fields

_NEEDLES = {"needles": [{"label": "A", "taper_slope": {"value": 30.0, "unit": "mm/m"}}]}
_AT = "/api/v1/installations"
_ANOTHER: dict[str, dict[str, Any]] = {
    "installations": {"name": "other"}, "runs": {"note": "other"}, "adjustments": {"note": "other"},
    "acknowledgements": {"note": "other"}, "corrections": {"reason": "another"}, "notes": {"text": "other"},
    "people": {"name": "other than that"}, "keys": {"label": "other"},
    "prior": {"prior": "expert"}, "photos": {"image": base64.b64encode(taken((2, 1))).decode()},
}  # fmt: skip
"""What makes another body of the example, by the last part of the address."""

_KEY = {"Idempotency-Key": "once-and-again"}


def _rows(database: Database) -> dict[str, int]:
    """How many rows each table holds."""
    with database.reading() as session:
        tables = Base.metadata.sorted_tables
        return {t.name: session.scalar(select(func.count()).select_from(t)) or 0 for t in tables}


class _Posts:
    """Every POST of the JSON API with the first example of its body, sent by whoever may, at a place of their own."""

    def __init__(self, house: House) -> None:
        self.house = house
        stand_in: Any = house.client.app.state.desk._get()  # type: ignore[attr-defined]
        stand_in.failure = None
        self.document = house.client.get("/openapi.json", headers=house.headers("builder")).json()
        routes = routes_of(house.client.app.routes)  # type: ignore[attr-defined]
        self.paths = [path for method, path, _ in routes if method == "POST" and path.startswith("/api/")]

    def operation(self, path: str) -> dict[str, Any]:
        """What the OpenAPI page says of it."""
        found: dict[str, Any] = self.document["paths"][path]["post"]
        return found

    def prepared(self, path: str) -> tuple[str, dict[str, Any], dict[str, str]]:
        """Address, body and headers; an installation of its own for each, with an entry where one may be."""
        who = "administrator" if "/people" in path else "builder"
        headers = self.house.headers(who)
        place = self._place(self.house.headers("builder"), entry=not path.endswith("/prior"))
        address = path.replace("{installation_id}", place).replace("{sequence}", "1")
        address = address.replace("{person_id}", str(self.house.numbers["other"]))
        assert "{" not in address, f"say here what stands in {path}"
        examples = self.operation(path)["requestBody"]["content"]["application/json"]["examples"]
        return address, next(iter(examples.values()))["value"], headers

    def another(self, path: str, body: dict[str, Any]) -> dict[str, Any]:
        """Another body that could be used too."""
        if path.endswith("/import"):
            headers = self.house.headers("builder")
            found: dict[str, Any] = self.house.client.get(f"{_AT}/{self.house.builders}/export", headers=headers).json()
            return found
        return body | _ANOTHER[path.rpartition("/")[2]]

    def _place(self, headers: dict[str, str], entry: bool) -> str:
        sent = _NEEDLES | {"elevation": {"value": 650, "unit": "ft"}}
        made = self.house.client.post("/api/v1/installations", json=sent, headers=headers).headers["Location"]
        if entry:
            self.house.client.post(f"{made}/runs", json=RUN, headers=headers)
        return str(made.rpartition("/")[2])


@pytest.fixture
def house(folder: Path) -> Iterator[House]:
    """A service with people in it."""
    with opened(folder) as made:
        yield made


@pytest.fixture
def posts(house: House) -> Iterator[_Posts]:
    """All of them."""
    return _Posts(house)


def test_every_post_is_done_once_however_often_it_is_sent(posts: _Posts) -> None:
    """Found by themselves, all of them: replayed, each answers the same and adds no row; with another body it is 422.

    Without a key it is 400 where it would have been done, and the OpenAPI page asks for the key.
    """
    client = posts.house.client
    bare = TestClient(client.app, base_url=client.base_url)
    database: Database = client.app.state.database  # type: ignore[attr-defined]
    assert len(posts.paths) >= 12
    for number, path in enumerate(sorted(posts.paths)):
        headers = {p["name"].lower(): p for p in posts.operation(path)["parameters"] if p["in"] == "header"}
        assert headers["idempotency-key"]["required"], path
        assert f"{KEPT_FOR.days} days" in headers["idempotency-key"]["description"]
        address, body, asker = posts.prepared(path)
        assert problem(bare.post(address, json=body, headers=asker), 400)["errors"][0]["field"] == "Idempotency-Key"
        key = {"Idempotency-Key": f"every-post-{number}"}
        first = client.post(address, json=body, headers=asker | key)
        assert first.status_code == 201, (path, first.text)
        before = _rows(database)
        again = client.post(address, json=body, headers=asker | key)
        assert _rows(database) == before, path
        for same in ("status_code", "text"):
            assert getattr(again, same) == getattr(first, same), path
        assert again.headers.get("location") == first.headers.get("location")
        written_otherwise = json.dumps(dict(reversed(body.items())), indent=1)
        headers_of_json = asker | key | {"content-type": "application/json"}
        assert client.post(address, content=written_otherwise, headers=headers_of_json).text == first.text
        if path.endswith("/contribution"):  # a yes is all that may be sent
            continue
        refused = problem(client.post(address, json=posts.another(path, body), headers=asker | key), 422)
        assert refused["title"].startswith("The Idempotency-Key"), (path, refused)
        (error,) = refused["errors"]
        assert (error["field"], error["value"]) == ("Idempotency-Key", f"every-post-{number}")
        assert "Make a new Idempotency-Key" in error["cure"]
        assert _rows(database) == before, path


@pytest.fixture
def at(client: Client) -> str:
    """An installation."""
    return str(client.post("/api/v1/installations", json=_NEEDLES).headers["Location"])


def test_another_request_under_a_key_is_refused(client: Client, at: str) -> None:
    """Another body, or another address: the field, the key and what to do are named, and nothing is stored."""
    client.post(f"{at}/notes", json={"text": "gasket"}, headers=_KEY)
    for address, sent in (("notes", {"text": "baffle"}), ("adjustments", {"kind": "turn_screw", "turns": 0.125})):
        (error,) = problem(client.post(f"{at}/{address}", json=sent, headers=_KEY), 422)["errors"]
        assert (error["field"], error["value"]) == ("Idempotency-Key", "once-and-again")
        assert "Make a new Idempotency-Key" in error["cure"]
    assert client.get(f"{at}/history").json()["entries"] == []
    assert len(client.get(f"{at}/notes").json()["notes"]) == 1


def test_what_was_refused_keeps_no_key(client: Client, at: str) -> None:
    """Nothing was done under it, so it is free for what is mended."""
    problem(client.post(f"{at}/runs", json=RUN | {"time": "2999-01-01T00:00:00Z"}, headers=_KEY), 422)
    assert client.post(f"{at}/runs", json=RUN, headers=_KEY).status_code == 201


def test_one_persons_key_means_nothing_for_another(house: House) -> None:
    """The same key and body by two builders: an installation each."""
    made = {
        house.client.post("/api/v1/installations", json=_NEEDLES, headers=house.headers(who) | _KEY).json()["id"]
        for who in ("builder", "other", "builder", "other")
    }
    assert len(made) == 2


def test_a_key_is_shown_again_only_to_the_credential_that_asked(house: House) -> None:
    """What opens stands in no table: it depends on what the asker came in with, and another way in is told so."""
    with house.client.app.state.database.unit() as session:  # type: ignore[attr-defined]
        from taperwise.api.accounts.service import give_key
        from taperwise.api.core.roles import Scope

        second = give_key(session, house.numbers["builder"], "second", Scope.EVERYTHING)[1]
    sent = {"label": "display", "scope": "reading"}
    made = house.client.post("/api/v1/me/keys", json=sent, headers=house.headers("builder") | _KEY).json()
    bearer = {"Authorization": f"Bearer {made['secret']}"}
    assert house.client.get("/api/v1/me", headers=bearer).json()["only_reads"]
    other = house.client.post("/api/v1/me/keys", json=sent, headers={"Authorization": f"Bearer {second}"} | _KEY)
    assert f"Revoke key {made['key']['id']}" in problem(other, 409)["detail"]
    with house.client.app.state.database.reading() as session:  # type: ignore[attr-defined]
        for table in Base.metadata.sorted_tables:
            assert made["secret"] not in str(session.execute(select(table)).all()), table.name


@pytest.mark.parametrize("senders", [8])
def test_many_at_once_do_it_once(settings: Settings, senders: int) -> None:
    """Whoever comes second waits for the first, and is answered as it was: on SQLite and on PostgreSQL."""
    answers: list[Any] = []
    with Client(create_app(settings, StandIn)) as client:
        at = client.post("/api/v1/installations", json=_NEEDLES).headers["Location"]
        ready = threading.Barrier(senders)

        def send(address: str, sent: dict[str, Any], key: str) -> None:
            ready.wait(30)
            answers.append(client.post(address, json=sent, headers={"Idempotency-Key": key}))

        for address, sent in (("/api/v1/installations", _NEEDLES), (f"{at}/runs", RUN), (f"{at}/notes", {"text": "a"})):
            answers.clear()
            key = f"at-once-{address.rpartition('/')[2]}"
            threads = [threading.Thread(target=send, args=(address, sent, key)) for _ in range(senders)]
            for each in threads:
                each.start()
            for each in threads:
                each.join(60)
            assert {a.status_code for a in answers} == {201}, [a.text for a in answers]
            assert len({a.text for a in answers}) == 1
            assert len(answers) == senders
        assert client.get("/api/v1/installations").json()["total"] == 2
        assert len(client.get(f"{at}/history").json()["entries"]) == 1
        assert len(client.get(f"{at}/notes").json()["notes"]) == 1


def test_a_second_one_is_answered_while_the_first_still_learns(folder: Path) -> None:
    """The entry is stored by then: both get it with the same suggestion, and it is learned from once."""
    begun, go_on, learned = threading.Event(), threading.Event(), []

    class Slow(StandIn):
        def learn(self, *args: Any, **rest: Any) -> Any:
            learned.append(1)
            begun.set()
            assert go_on.wait(30)
            return super().learn(*args, **rest)

    slow = Slow(1)
    with Client(create_app(Settings(data_folder=folder, database_url=""), lambda _seed: slow)) as client:
        at = client.post("/api/v1/installations", json=_NEEDLES).headers["Location"]
        answers: list[Any] = []
        both = [
            threading.Thread(target=lambda: answers.append(client.post(f"{at}/runs", json=RUN, headers=_KEY)))
            for _ in range(2)
        ]
        both[0].start()
        assert begun.wait(30)
        both[1].start()
        both[1].join(0.3)
        go_on.set()
        for each in both:
            each.join(30)
        assert [a.status_code for a in answers] == [201, 201]
        assert answers[0].json() == answers[1].json()
        assert len(learned) == 1
        assert len(client.get(f"{at}/history").json()["entries"]) == 1


def test_old_keys_are_dropped_in_passing(client: Client, at: str) -> None:
    """A key older than is promised goes with the next request; a younger one stays."""
    database: Database = client.app.state.database  # type: ignore[attr-defined]
    for name, age in (
        ("too-old-by-now", KEPT_FOR + timedelta(hours=1)),
        ("young-enough", KEPT_FOR - timedelta(hours=1)),
    ):
        client.post(f"{at}/notes", json={"text": name}, headers={"Idempotency-Key": name})
        with database.unit() as session:
            mine = update(IdempotencyKey).where(IdempotencyKey.key == name)
            session.execute(mine.values(created_at=datetime.now(UTC) - age))
    client.post(f"{at}/notes", json={"text": "new"}, headers={"Idempotency-Key": "the-next-one"})
    with database.reading() as session:
        kept = set(session.scalars(select(IdempotencyKey.key)))
    assert "too-old-by-now" not in kept
    assert {"young-enough", "the-next-one"} <= kept


def test_erasing_takes_the_keys_along(posts: _Posts) -> None:
    """Of an installation what was sent to it and what set it up; of a person what they sent, and who made them."""
    house = posts.house
    for path in posts.paths:
        address, body, asker = posts.prepared(path)
        assert house.client.post(address, json=body, headers=asker).status_code == 201, path
    database: Database = house.client.app.state.database  # type: ignore[attr-defined]

    def left() -> list[IdempotencyKey]:
        with database.reading() as session:
            return list(session.scalars(select(IdempotencyKey)))

    with database.unit() as session:
        erase_installation(session, house.builders)
    assert all(row.installation_id != house.builders for row in left())
    with database.unit() as session:
        erase(session, house.numbers["other"])
        erase(session, house.numbers["builder"])
    numbers = {house.numbers["other"], house.numbers["builder"]}
    assert [row.operation for row in left() if row.caller in numbers or row.person_id in numbers] == []
    assert all(row.operation == "POST /api/v1/people" for row in left())


def test_a_backup_keeps_them(client: Client, at: str, folder: Path) -> None:
    """With the entries of the same moment: sent again to the restored service, an entry is there once."""
    client.post(f"{at}/notes", json={"text": "gasket"}, headers=_KEY)
    back_up(client.app.state.database, folder / "a.backup")  # type: ignore[attr-defined]
    checked_copy(folder / "a.backup", folder / "restored.db")
    with closing(Database(f"sqlite:///{folder / 'restored.db'}")) as restored, restored.reading() as session:
        kept = session.scalars(select(IdempotencyKey).where(IdempotencyKey.key == "once-and-again")).one()
        assert kept.document["text"] == "gasket"


@pytest.mark.parametrize(
    ("form", "typed"),
    [
        ("/installations/new", {"needles.0.taper_slope.value": "30", "needles.0.taper_slope.unit": "mm/m"}),
        ("notes", {"text": "gasket"}),
        ("adjust", {"kind": "turn_screw", "turn_screw.turns": "0.5", "turn_screw.way": "+"}),
        ("acknowledge", {"cause": "a loose baffle"}),
        ("leave", {"consent": "yes"}),
    ],
)
def test_a_form_sent_twice_is_answered_the_same(client: Client, at: str, form: str, typed: dict[str, str]) -> None:
    """By the id in the form, which was made where the form was."""
    page = at.removeprefix("/api/v1")
    address = form if form.startswith("/") else f"{page}/{form}"
    client.post(f"{at}/runs", json=RUN)
    owned(client, at)
    sent = typed | {"client_id": "0123456789abcdef"}
    first = client.post(address, data=sent, follow_redirects=False)
    assert first.status_code in (200, 303), first.text
    before = _rows(client.app.state.database)  # type: ignore[attr-defined]
    again = client.post(address, data=sent, follow_redirects=False)
    assert (again.status_code, again.headers.get("location")) == (first.status_code, first.headers.get("location"))
    assert again.text == first.text
    assert _rows(client.app.state.database) == before  # type: ignore[attr-defined]


def test_a_key_typed_for_twice_is_made_once(house: House) -> None:
    """The page of the account carries an id, and shows the same key again."""
    cookie = house.headers("builder")
    page = house.client.get("/account", headers=cookie).text
    sent = {"label": "display", "scope": "reading", "client_id": fields(page)["client_id"]}
    shown = [house.client.post("/account/keys", data=sent, headers=cookie).text for _ in range(2)]
    assert shown[0].count("et_") == shown[1].count("et_") == 1
    assert shown[0].partition("et_")[2][:43] == shown[1].partition("et_")[2][:43]
