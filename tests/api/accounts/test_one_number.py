"""A number has one spelling: under any other, every route answers everybody as if the thing had never been."""

import re
from collections.abc import Iterator
from typing import Any
from urllib.parse import quote

import pytest
from fastapi.dependencies.models import Dependant
from fastapi.routing import APIRoute

from taperwise.api.accounts.authorization import admitted
from taperwise.api.accounts.service import give_key, revoke
from taperwise.api.app import create_app
from taperwise.api.core.dependencies import number_in
from taperwise.api.core.roles import Rule, Scope
from taperwise.api.core.settings import Settings
from taperwise.api.presentation.formatting import with_form_labels
from tests.api.accounts.conftest import NAME, House, opened, routes_of
from tests.api.asking import Client, awaited
from tests.api.conftest import StandIn

RELATIONS = {
    "nobody": "nobody",
    "a stranger": "other",
    "a stranger's key for reading": "stranger's reader",
    "an adviser who looks after it": "adviser",
    "an adviser who does not": "stranger",
    "its owner": "builder",
    "its owner's key that was revoked": "revoked",
    "a keeper of the pool": "keeper",
    "an administrator": "administrator",
}

_NUMBER = "7"
SPELLINGS = {
    "plus": "+{}", "minus": "-{}", "point": "{}.0", "bare point": "{}.", "nought before": "0{}", "blank before": " {}",
    "blank after": "{} ", "line end after": "{}\n", "exponent": "{}e0", "hexadecimal": "0x{}", "underscore": "{}_0",
    "underscore between": "0_{}", "nul": "{}\x00", "byte order mark": "\ufeff{}", "quoted": '"{}"', "list": "{},{}",
}  # fmt: skip
"""Other ways to write a number; most of them are one to `int()` or to a lax validator (Python and pydantic manuals)."""

SCRIPTS = {"arabic": 0x0660, "devanagari": 0x0966, "full width": 0xFF10, "mathematical": 0x1D7D8}
"""First of ten digits in a row (Unicode 16, general category Nd): `int()` reads all of them."""

NEVER = ("9" * 30, "9" * 5000, "9223372036854775808", "0", "²", "⑤", "½", "null", "true", "NaN")
"""What is no row's number whatever the number is: beyond 64 bits, nought, digits that are none, no digits at all."""


def _spelled(number: int) -> list[str]:
    others = ["".join(chr(first + int(digit)) for digit in str(number)) for first in SCRIPTS.values()]
    return [form.format(number, number) for form in SPELLINGS.values()] + others + list(NEVER)


def _filled(path: str, name: str, spelling: str, house: House) -> str:
    plain = {
        "installation_id": str(house.builders), "person_id": str(house.numbers["other"]), "sequence": "1",
        "key_id": "1", "name": "rise", "note_id": "1", "photo_id": "1", "invitation_id": "1",
        "offered_id": "1", "kind": "conflict", "reader": "the-builder",
    }  # fmt: skip
    given = {**plain, name: spelling}
    return re.sub(r"\{(\w+)\}", lambda found: quote(given[found[1]], safe="+"), path)


def _ask(client: Client, method: str, address: str, headers: dict[str, str] | None = None) -> Any:
    sent: dict[str, Any] = {}
    if method in ("POST", "PUT", "PATCH"):
        sent = {"json": {}} if address.startswith("/api/") else {"data": {"x": "1"}}
    return client.request(method, address, headers=headers or {}, follow_redirects=False, **sent)


def _outcome(answer: Any) -> tuple[Any, ...]:
    """All of an answer that does not repeat the number asked for."""
    assert NAME not in answer.text
    kind = answer.headers.get("content-type", "")
    where = re.sub("/installations/.*", "/installations/N", answer.headers.get("location", ""))
    if kind != "application/problem+json":
        return answer.status_code, kind, where
    document = answer.json()
    wrong = [(e["field"], e["message"], e["cure"]) for e in document["errors"]]
    return answer.status_code, kind, where, document["type"], document["title"], wrong


@pytest.fixture(scope="module")
def many(tmp_path_factory: pytest.TempPathFactory) -> Iterator[House]:
    """A service that answers as often as it is asked."""
    with opened(tmp_path_factory.mktemp("one-number"), a_minute=1_000_000) as made:
        with made.client.app.state.database.unit() as session:  # type: ignore[attr-defined]
            made.keys["stranger's reader"] = give_key(session, made.numbers["other"], "display", Scope.READING)[1]
            lost, made.keys["revoked"] = give_key(session, made.numbers["builder"], "lost", Scope.EVERYTHING)
            revoke(session, made.numbers["builder"], lost.id)
        yield made


def _routes(house: House) -> list[tuple[str, str, Rule | None]]:
    found = routes_of(house.client.app.routes)  # type: ignore[attr-defined]
    assert len(found) > 85
    return found


def _with(house: House, name: str) -> list[tuple[str, str, Rule | None]]:
    found = [route for route in _routes(house) if f"{{{name}}}" in route[1]]
    assert found
    return found


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("relation", RELATIONS)
def test_another_spelling_is_as_good_as_none(many: House, relation: str) -> None:
    """Of the installation's number, at every route: to everybody as an installation that never was."""
    headers = many.headers(RELATIONS[relation])
    for method, path, _ in _with(many, "installation_id"):
        never = _ask(many.client, method, _filled(path, "installation_id", "987654", many), headers)
        for spelling in _spelled(many.builders):
            asked = _ask(many.client, method, _filled(path, "installation_id", spelling, many), headers)
            assert _outcome(asked) == _outcome(never), (method, path, relation, spelling[:20])
    after = many.client.get(f"/api/v1/installations/{many.builders}", headers=many.headers("builder"))
    assert after.status_code == 200


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("relation", RELATIONS)
def test_another_spelling_below_it_is_nothing_either(many: House, relation: str) -> None:
    """Of a person, an entry or a key: as one that never was, or refused as no number."""
    headers = many.headers(RELATIONS[relation])
    for name in ("person_id", "sequence", "key_id"):
        for method, path, _ in _with(many, name):
            never = _ask(many.client, method, _filled(path, name, "987654", many), headers)
            for spelling in _spelled(1):
                asked = _ask(many.client, method, _filled(path, name, spelling, many), headers)
                assert asked.status_code in {422, never.status_code}, (method, path, spelling[:20])
                if never.status_code in (401, 403, 303):
                    assert asked.status_code == never.status_code, (method, path, spelling[:20])


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("relation", RELATIONS)
def test_a_method_that_is_not_offered_tells_nothing(many: House, relation: str) -> None:
    """It is answered alike whether the installation is there or not."""
    headers = many.headers(RELATIONS[relation])
    for path in sorted({path for _, path, _ in _with(many, "installation_id")}):
        offered = {method for method, other, _ in _routes(many) if other == path}
        offered |= {"HEAD"} if "GET" in offered else set()  # RFC 9110, section 9.3.2: as GET, without content
        for method in {"HEAD", "OPTIONS", "PATCH", "TRACE", "DELETE", "PUT", "LINK"} - offered:
            there = _ask(many.client, method, _filled(path, "installation_id", str(many.builders), many), headers)
            never = _ask(many.client, method, _filled(path, "installation_id", "987654", many), headers)
            assert there.status_code == never.status_code and there.status_code in (401, 405), (method, path)
            assert there.headers.get("allow") == never.headers.get("allow")


def test_a_method_is_known_in_capitals_only(many: House) -> None:
    """As RFC 9110, section 9.1, has it; in other letters it is no method that is offered, nor one that only reads."""
    for method in ("get", "Get", "put", "Delete"):
        seen: list[Any] = []

        async def receive() -> Any:
            return {"type": "http.request", "body": b"", "more_body": False}

        async def send(message: Any, seen: list[Any] = seen) -> None:
            seen.append(message)

        for key in ("reader", "builder"):
            path = f"/api/v1/installations/{many.builders}/advisers/{many.numbers['other']}"
            path = path if method.upper() in ("PUT", "DELETE") else f"/api/v1/installations/{many.builders}"
            scope = {
                "type": "http", "method": method, "path": path, "raw_path": path.encode(), "query_string": b"",
                "headers": [(b"authorization", f"Bearer {many.keys[key]}".encode()), (b"host", b"127.0.0.1")],
                "client": ("127.0.0.1", 1), "server": ("127.0.0.1", 80), "scheme": "http", "root_path": "", "state": {},
            }  # fmt: skip
            awaited(many.client.app(scope, receive, send))
        assert [m["status"] for m in seen if m["type"] == "http.response.start"] == [405, 405], method


@pytest.mark.parametrize(
    "after", ["/", "//", "%2F", "/.", "/../{}", "%2e%2e/{}", ";x=1", "?installation_id={}", "%3F", "%23"]
)
def test_what_stands_around_the_number_changes_nothing(many: House, after: str) -> None:
    """A slash more, an escaped one, a parameter: somebody else's is not reached, and never led to."""
    for method, path, _ in _with(many, "installation_id"):
        if method == "DELETE" and path.endswith("{installation_id}") and after == "/../{}":
            continue  # whoever asks resolves the dots before asking: it is their own that is deleted
        outcomes = []
        for number in (many.builders, 987_654):
            address = _filled(path, "installation_id", str(number), many) + after.format(many.others)
            answer = _ask(many.client, method, address, many.headers("other"))
            where = re.sub(rf"installations/{number}\b", "installations/N", answer.headers.get("location", ""))
            outcomes.append((answer.status_code, where))
            assert answer.status_code != 204, (method, address)
            assert NAME not in answer.text
        assert outcomes[0] == outcomes[1], (method, path)


def test_every_route_takes_the_same_spellings(folder: Any) -> None:
    """On one's own machine too: each number, in each route, in digits 0 to 9 and in nothing else."""
    app = create_app(Settings(data_folder=folder, database_url=""), StandIn)
    app.state.desk.prepare()
    with Client(app, raise_server_exceptions=False, base_url="http://127.0.0.1") as client:
        house = House(client, {}, {"other": 1}, 1, 1)
        for name in ("installation_id", "person_id", "sequence", "key_id"):
            for method, path, _ in _with(house, name):
                for spelling in _spelled(7):
                    answer = _ask(client, method, _filled(path, name, spelling, house))
                    assert answer.status_code == 422, (method, path, name, spelling[:20])
                    said = name if path.startswith("/api/") else with_form_labels(name)
                    assert said.lower() in answer.text.lower()
                taken = _ask(client, method, _filled(path, name, _NUMBER, house))
                assert taken.status_code != 422 or f'"{name}"' not in taken.text, (method, path, taken.text)


def test_numbers_that_are_asked_for_take_them_too(many: House) -> None:
    """How many, from which on, which leaf."""
    asked = [("/api/v1/installations", "limit"), ("/api/v1/installations", "offset"), ("/api/v1/changes", "limit"),
             ("/api/v1/changes", "before"), ("/installations", "leaf"), ("/desk", "leaf")]  # fmt: skip
    for address, name in asked:
        headers = many.headers("administrator")
        assert many.client.get(f"{address}?{name}=7", headers=headers).status_code == 200
        for spelling in _spelled(7):
            if (spelling, name) == ("0", "offset"):
                continue
            answer = many.client.get(f"{address}?{name}={quote(spelling, safe='')}", headers=headers)
            assert answer.status_code == 422, (address, name, spelling[:20])


def test_numbers_in_forms_take_them_too(many: House) -> None:
    """An adviser is entrusted by number: another spelling of it is nobody's."""
    number, headers = many.numbers["stranger"], many.headers("builder")
    for spelling in _spelled(number):
        answer = many.client.post(
            f"/installations/{many.builders}/advisers", data={"person_id": spelling}, headers=headers,
            follow_redirects=False,
        )  # fmt: skip
        assert answer.status_code == 404, spelling[:20]
    listed = many.client.get(f"/api/v1/installations/{many.builders}/advisers", headers=headers).json()
    assert [each["person_id"] for each in listed] == [many.numbers["adviser"]]


def _depends(dependant: Dependant) -> Iterator[Any]:
    yield dependant.call
    for below in dependant.dependencies:
        yield from _depends(below)


def _api_routes(routes: Any) -> Iterator[APIRoute]:
    for route in routes:
        if hasattr(route, "original_router"):
            yield from _api_routes(route.original_router.routes)
        elif isinstance(route, APIRoute):
            yield route


def test_no_route_reads_an_installations_number_for_itself(many: House) -> None:
    """All of them have it from the gate, which hands on nothing but what it decided on."""
    for route in _api_routes(many.client.app.routes):  # type: ignore[attr-defined]
        own = {param.name for param in route.dependant.path_params}
        assert "installation_id" not in own, route.path
        assert ("{installation_id}" in route.path) == (admitted in _depends(route.dependant)), route.path


@pytest.mark.parametrize(("text", "number"), [("1", 1), ("90", 90), (str(2**63 - 1), 2**63 - 1), (5, 5)])
def test_a_plain_number_is_read(text: object, number: int) -> None:
    """From 1 to the largest that a row can have (SQLite and PostgreSQL: 64 bits, signed)."""
    assert number_in(text) == number


def test_no_other_spelling_is_read() -> None:
    """Nor is what is no text and no number."""
    assert [text for text in [*_spelled(5), "", None, 5.5, [], "5" + "0" * 400] if number_in(text) is not None] == []
