"""What a client that knows the OpenAPI document alone may count on."""

import re

from tests.api.asking import RUN, Client, problem


def test_what_is_read_again_is_sent_once(client: Client, place: str) -> None:
    """304 without a body while nothing changed (RFC 9110, sections 13.1.2 and 15.4.5); a new tag once it did."""
    first = client.get(place)
    again = client.get(place, headers={"If-None-Match": f'W/{first.headers["etag"]}, "other"'})
    assert (again.status_code, again.content, again.headers["etag"]) == (304, b"", first.headers["etag"])
    client.put(f"{place}/units", json={"temperature": "degC"})
    changed = client.get(place, headers={"If-None-Match": first.headers["etag"]})
    assert changed.status_code == 200
    assert changed.headers["etag"] != first.headers["etag"]


def test_head_is_answered_wherever_get_is(client: Client, place: str) -> None:
    """With the headers of GET and without its body (RFC 9110, section 9.3.2)."""
    for address in (place, f"{place}/history", "/api/v1/overview", "/installations", "/openapi.json"):
        got, head = client.get(address), client.head(address)
        assert (head.status_code, head.content) == (200, b"")
        assert head.headers["content-type"] == got.headers["content-type"]
    assert client.head(f"{place}/runs").status_code == 405


def test_a_query_parameter_that_is_not_known_is_refused(client: Client, place: str) -> None:
    """As a field of a body is, with those that there are."""
    told = problem(client.get("/api/v1/installations?nmae=x"), 422)
    assert told["errors"][0]["field"] == "nmae"
    assert told["errors"][0]["cure"] == "Known here: limit, name, offset."
    problem(client.get(f"{place}?x=1"), 422)
    assert client.get("/api/v1/installations?name=x&limit=3").status_code == 200


def test_refusals_differ_by_type_and_each_type_is_explained(client: Client, place: str) -> None:
    """A step beyond its limit, an entry out of time, a reused key: each has a type of its own, at an address here."""
    late = RUN | {"time": "2026-05-01T10:00:00Z"}
    client.post(f"{place}/runs", json=RUN)
    key = {"Idempotency-Key": "the-same-key"}
    client.post(f"{place}/notes", json={"text": "one"}, headers=key)
    refusals = {
        "time-order": client.post(f"{place}/runs", json=late),
        "reused-key": client.post(f"{place}/notes", json={"text": "two"}, headers=key),
        "step-limit": client.get(f"{place}/whatif?turns=3"),
        "not-found": client.get("/api/v1/installations/99"),
        "invalid-value": client.post(f"{place}/runs", json={}),
    }
    for kind, answer in refusals.items():
        where = answer.json()["type"]
        assert where == f"/problems/{kind}", answer.text
        assert client.get(where).status_code == 200
    assert client.get("/problems/none").status_code == 404


def test_names_for_generated_clients_are_short_and_single(client: Client) -> None:
    """No operation twice, none longer than 32 signs, no class with a number behind its name."""
    document = client.get("/openapi.json").json()
    found = [operation["operationId"] for methods in document["paths"].values() for operation in methods.values()]
    assert len(set(found)) == len(found)
    assert max(map(len, found)) <= 32
    assert [name for name in document["components"]["schemas"] if re.search(r"\d$|__|-", name)] == []


def test_the_history_comes_in_pages(client: Client, place: str) -> None:
    """Each entry once, in order."""
    for _ in range(3):
        client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": 0.125})
    first = client.get(f"{place}/history?limit=2").json()
    rest = client.get(f"{place}/history?limit=2&cursor={first['next']}").json()
    assert [each["sequence"] for each in first["entries"] + rest["entries"]] == [1, 2, 3]
    assert rest["next"] is None
