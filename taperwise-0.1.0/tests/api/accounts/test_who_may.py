"""Every route, held against every role, with one's own installation and with somebody else's."""

import re
from typing import Any

import pytest

from taperwise.api.core.roles import RULE_KEY, Rule
from tests.api.accounts.conftest import House, routes_of

_REFUSED = {401, 403, 404}
_EVERYBODY = ("nobody", "builder", "other", "adviser", "stranger", "keeper", "administrator", "reader")
_INSTALLATION = "/api/v1/installations/{installation_id}"
_MAY: dict[Rule, set[str]] = {
    Rule.ANYONE: set(_EVERYBODY),
    Rule.SIGNED_IN: set(_EVERYBODY) - {"nobody"},
    Rule.SETS_UP: {"builder", "other", "adviser", "stranger", "reader"},
    Rule.SEES: {"builder", "adviser", "reader"},
    Rule.OWNS: {"builder", "reader"},
    Rule.KEEPS_POOL: {"keeper"},
    Rule.ADMINISTERS: {"administrator"},
}
"""Who may at the builder's installation; the reader holds the builder's key for reading, and may only read."""


def _routes(house: House) -> list[tuple[str, str, Rule | None]]:
    return routes_of(house.client.app.routes)  # type: ignore[attr-defined]


def _address(path: str, installation: int, person: int) -> str:
    path = path.replace("{installation_id}", str(installation)).replace("{person_id}", str(person))
    path = (
        path.replace("{note_id}", "999")
        .replace("{invitation_id}", "999")
        .replace("{offered_id}", "999")
        .replace("{photo_id}", "999")
    )
    return path.replace("{sequence}", "1").replace("{key_id}", "999").replace("{name}", "rise")


def _ask(house: House, method: str, address: str, who: str) -> Any:
    page = not address.startswith("/api/")
    sent: dict[str, Any] = {"data": {"x": "1"}} if page else {"json": {}}
    body = sent if method in ("POST", "PUT", "PATCH") else {}
    return house.client.request(method, address, headers=house.headers(who), follow_redirects=False, **body)


def test_every_route_says_who_may(house: House) -> None:
    """A route without a rule is open to nobody, and none is left without."""
    routes = _routes(house)
    assert len(routes) > 80
    assert [(method, path) for method, path, rule in routes if rule is None] == []


def test_the_openapi_document_says_so_too(house: House) -> None:
    """With the refusals a caller has to expect."""
    document = house.client.get("/openapi.json", headers=house.headers("builder")).json()
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            rule = Rule(operation[RULE_KEY])
            refusals = {"401", "403", "429"} <= set(operation["responses"])
            assert refusals == (rule is not Rule.ANYONE), (method, path)
            assert ("security" in operation) == (rule is not Rule.ANYONE), (method, path)


@pytest.mark.parametrize("who", _EVERYBODY)
def test_every_route_for_every_role(house: House, who: str) -> None:
    """At the builder's installation: whoever may is not refused, everybody else is."""
    for method, path, rule in _routes(house):
        if "/me" in path and method == "DELETE" and path.endswith("/me"):
            continue  # tried apart: whoever may is gone afterwards
        if path in ("/sign-in", "/sign-out", "/join") or (path == "/api/v1/people/{person_id}" and method == "DELETE"):
            continue  # open to anybody, and tried in a test of their own
        if path.endswith("{installation_id}/delete") or (method, path) == ("DELETE", _INSTALLATION):
            continue  # tried apart: the builder's installation is gone afterwards
        assert rule is not None
        answer = _ask(house, method, _address(path, house.builders, house.numbers["builder"]), who)
        writes = method not in ("GET", "HEAD")
        may = who in _MAY[rule] and not (who == "reader" and writes and rule is not Rule.ANYONE)
        told = (method, path, who, rule, answer.status_code, answer.text[:200])
        assert answer.status_code in (503, *range(500)), told  # 503: the stand-in answers nothing
        if may:
            assert answer.status_code not in (401, 403), told
            if answer.status_code == 404:  # the thing below the installation, not the installation itself
                assert "Engine not found" not in answer.text, told
        elif rule in (Rule.SEES, Rule.OWNS) and who not in ("nobody", "reader"):
            assert answer.status_code in (403, 404), told
        elif who == "nobody" and not path.startswith(("/api/", "/metrics")) and not writes:
            assert answer.status_code == 303, told
            assert answer.headers["location"].startswith("/sign-in?next="), told
        else:
            assert answer.status_code in (401, 403), told


def test_another_builders_number_is_as_good_as_none(house: House) -> None:
    """What belongs to somebody else answers as what is not there, word for word but for the number."""
    belonging = [(method, path) for method, path, rule in _routes(house) if rule in (Rule.SEES, Rule.OWNS)]
    assert len(belonging) > 30
    for method, path in belonging:
        there = _ask(house, method, _address(path, house.builders, 1), "other")
        absent = _ask(house, method, _address(path, 987_654, 1), "other")
        assert there.status_code == absent.status_code == 404, (method, path)
        assert there.text.replace(str(house.builders), "N") == absent.text.replace("987654", "N").replace(
            str(house.builders), "N"
        ), (method, path)


def test_lists_show_only_ones_own(house: House) -> None:
    """The list, its page and the desk; an adviser sees what was entrusted, an administrator no log at all."""
    seen = {
        who: {i["id"] for i in house.client.get("/api/v1/installations", headers=house.headers(who)).json()[
            "installations"]}
        for who in ("builder", "other", "adviser", "stranger", "administrator", "keeper")
    }  # fmt: skip
    assert seen == {
        "builder": {house.builders}, "other": {house.others}, "adviser": {house.builders}, "stranger": set(),
        "administrator": set(), "keeper": set(),
    }  # fmt: skip
    for who, numbers in seen.items():
        for page in ("/installations", "/desk", f"/installations?name={house.others}", "/desk?name=installation"):
            if "?name=" in page:  # nobody finds what is not theirs, by number or by name
                text = house.client.get(page, headers=house.headers(who)).text
                theirs = numbers if "desk" in page else numbers & {house.others}
                assert {int(n) for n in re.findall(r'href="/installations/(\d+)"', text)} <= theirs, (who, page)
                if who == "other" and "desk" not in page:  # its owner finds it
                    assert f"/installations/{house.others}" in text
                found = house.client.get(
                    f"/api/v1{page}".replace("/desk", "/installations"), headers=house.headers(who)
                )
                assert {i["id"] for i in found.json()["installations"]} <= numbers
                continue
            text = house.client.get(page, headers=house.headers(who)).text
            assert {int(n) for n in re.findall(r'href="/installations/(\d+)"', text)} == numbers, (who, page)


def test_an_adviser_records_but_does_not_own(house: House) -> None:
    """Runs and notes, not the consent to the pool; and nothing once it is taken back."""
    at = f"/api/v1/installations/{house.builders}"
    adviser, builder = house.headers("adviser"), house.headers("builder")
    note = {"text": "look at the gasket"}
    assert house.client.post(f"{at}/notes", json=note, headers=adviser).status_code == 201
    assert house.client.delete(f"{at}/contribution", headers=adviser).status_code == 403
    consent = {"consent": True}
    assert house.client.post(f"{at}/contribution", json=consent, headers=adviser).status_code == 403
    page = f"/installations/{house.builders}/leave"
    assert house.client.post(page, data={"consent": "1"}, headers=adviser).status_code == 403
    number = house.numbers["adviser"]
    assert house.client.delete(f"{at}/advisers/{number}", headers=builder).status_code == 204
    assert house.client.post(f"{at}/notes", json=note, headers=adviser).status_code == 404
    assert house.client.put(f"{at}/advisers/{number}", headers=builder).status_code == 204
    assert [a["name"] for a in house.client.get(f"{at}/advisers", headers=builder).json()] == ["adviser"]
    assert house.client.put(f"{at}/advisers/{house.numbers['other']}", headers=builder).status_code == 422
