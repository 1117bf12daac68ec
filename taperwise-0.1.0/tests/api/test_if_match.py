"""No edit is lost to another one: `If-Match` (RFC 9110, section 13.1.1)."""

from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest

from tests.api.asking import RUN, Client, problem


def _limit(cht: int) -> dict[str, Any]:
    return {"meaning": "change", "set_up": {"watch": {"cht": {"value": cht, "unit": "degF"}}}}


def test_an_edit_of_what_was_read_goes_through(client: Client, place: str) -> None:
    """With its tag, the tag that the edit itself gave, one of several, `*`, or without the header."""
    client.post(f"{place}/runs", json=RUN)
    tag = client.get(place).headers["etag"]
    first = client.patch(place, json=_limit(400), headers={"If-Match": f'"other", {tag}'})
    assert (first.status_code, first.headers["etag"]) == (200, client.get(place).headers["etag"])
    assert first.headers["etag"] != tag
    second = client.put(f"{place}/units", json={"length": "in"}, headers={"If-Match": first.headers["etag"]})
    assert (second.status_code, second.headers["etag"]) == (200, client.get(place).headers["etag"])
    assert client.patch(place, json=_limit(410), headers={"If-Match": "*"}).status_code == 200
    assert client.patch(place, json=_limit(420)).status_code == 200


@pytest.mark.parametrize("wrong", ['"other"', "W/{tag}", "{bare}", ""])
def test_an_edit_of_something_else_is_refused(client: Client, place: str, wrong: str) -> None:
    """A stale tag, a weak one, one without its quotes, none: nothing is stored, and the type says so."""
    client.post(f"{place}/runs", json=RUN)
    tag = client.get(place).headers["etag"]
    stale = {"If-Match": wrong.format(tag=tag, bare=tag.strip('"'))}
    told = problem(client.patch(place, json=_limit(400), headers=stale), 412)
    assert told["type"] == "/problems/changed-since"
    assert told["errors"][0]["field"] == "If-Match"
    assert "changed since you read it" in client.get(told["type"]).text
    problem(client.put(f"{place}/units", json={"length": "in"}, headers=stale), 412)
    assert client.get(place).headers["etag"] == tag
    assert len(client.get(f"{place}/history").json()["entries"]) == 1


def test_of_two_edits_of_the_same_one_goes_through(client: Client, place: str) -> None:
    """At the same time: the state is compared where nobody else can change it."""
    client.post(f"{place}/runs", json=RUN)
    tag = client.get(place).headers["etag"]
    with ThreadPoolExecutor(8) as crowd:
        edits = [
            crowd.submit(client.patch, place, json=_limit(cht), headers={"If-Match": tag}) for cht in range(400, 408)
        ]
        answers = [each.result() for each in edits]
    assert sorted(each.status_code for each in answers) == [200, *[412] * 7]
    (made,) = [each.json() for each in answers if each.status_code == 200]
    assert client.get(place).json() == made["installation"]


def test_a_note_is_changed_and_deleted_as_it_was_read(client: Client, place: str) -> None:
    """Each note has a tag of its own."""
    note = f"{place}/notes/{client.post(f'{place}/notes', json={'text': 'one'}).json()['id']}"
    first = client.get(note).headers["etag"]
    assert client.get(note, headers={"If-None-Match": first}).status_code == 304
    second = client.put(note, json={"text": "two"}, headers={"If-Match": first})
    assert (second.status_code, second.headers["etag"]) == (200, client.get(note).headers["etag"])
    problem(client.put(note, json={"text": "three"}, headers={"If-Match": first}), 412)
    problem(client.delete(note, headers={"If-Match": first}), 412)
    assert client.get(note).json()["text"] == "two"
    assert client.delete(note, headers={"If-Match": second.headers["etag"]}).status_code == 204
    problem(client.get(note), 404)
    problem(client.put(note, json={"text": "four"}, headers={"If-Match": "*"}), 404)


def test_the_document_says_which_edits_take_it(client: Client) -> None:
    """The header with the refusal that follows from it, and no refusal without the header."""
    found = {}
    for path, methods in client.get("/openapi.json").json()["paths"].items():
        for method, said in methods.items():
            asks = "If-Match" in {each["name"] for each in said.get("parameters", [])}
            assert asks == ("412" in said["responses"]), (method, path)
            found[method.upper(), path.removeprefix("/api/v1/installations/{installation_id}")] = asks
    assert {each for each, asks in found.items() if asks} == {
        ("PATCH", ""), ("PUT", "/units"), ("PUT", "/notes/{note_id}"), ("DELETE", "/notes/{note_id}"),
    }  # fmt: skip
