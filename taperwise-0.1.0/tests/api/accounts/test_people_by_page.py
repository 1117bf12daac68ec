"""People let in, changed and let go by page; an engine handed over with the consent of both."""

import re
from typing import Any

import pytest

from taperwise.api.accounts import invitations
from taperwise.api.accounts.service import set_roles
from taperwise.api.cli.asgi import let_first_in
from taperwise.api.core.database import Database, Installation
from taperwise.api.core.roles import Role
from taperwise.api.exports import archive
from taperwise.shared.errors import ConflictError, InvalidValueError
from tests.api.accounts.conftest import House
from tests.api.asking import problem
from tests.api.web.reading import words

_PASSWORD = "four plain words here"  # noqa: S105 - invented for this test


def _post(house: House, who: str, address: str, **typed: str) -> Any:
    return house.client.post(address, data=typed or {"x": "1"}, headers=house.headers(who), follow_redirects=False)


def _link(page: str) -> str:
    found = re.search(r'class="secret">http://[^/<]+(/join\?invitation=[^<]+)<', page)
    assert found is not None, page
    return found[1]


def test_somebody_is_invited_by_a_link_that_works_once(house: House) -> None:
    """They choose a password, are signed in, and have the roles that were ticked."""
    page = _post(house, "administrator", "/people/invite", name="the newcomer", **{"role.builder": "1"})
    link = _link(page.text)
    assert "the newcomer" in words(house.client.get(link).text)
    secret = link.partition("=")[2]
    short = house.client.post("/join", data={"invitation": secret, "password": "short"}, follow_redirects=False)
    assert short.status_code == 422
    joined = house.client.post("/join", data={"invitation": secret, "password": _PASSWORD}, follow_redirects=False)
    assert joined.status_code == 303
    me = house.client.get("/api/v1/me").json()
    assert (me["name"], me["roles"], me["known_by"]) == ("the newcomer", ["builder"], "sign-in")
    house.client.cookies.clear()
    again = house.client.post("/join", data={"invitation": secret, "password": _PASSWORD}, follow_redirects=False)
    assert again.status_code == 404
    assert house.client.get(link).status_code == 404


def test_an_invitation_is_withdrawn_and_a_name_is_needed(house: House) -> None:
    """A withdrawn link opens nothing; without a name, or a role, or with a name that is taken, none is made."""
    link = _link(_post(house, "administrator", "/people/invite", name="late", **{"role.adviser": "1"}).text)
    assert "late" in words(house.client.get("/people", headers=house.headers("administrator")).text)
    _post(house, "administrator", "/people/invitations/1/withdraw")
    assert house.client.get(link).status_code == 404
    for wrong in ({"name": " ", "role.builder": "1"}, {"name": "somebody"}, {"name": "builder", "role.builder": "1"}):
        assert _post(house, "administrator", "/people/invite", **wrong).status_code in (409, 422), wrong


def test_a_lost_password_is_replaced_by_a_link(house: House) -> None:
    """The new link ends the one before it."""
    at = f"/people/{house.numbers['other']}/link"
    first, second = (_link(_post(house, "administrator", at).text) for _ in range(2))
    assert house.client.get(first).status_code == 404
    secret = second.partition("=")[2]
    house.client.post("/join", data={"invitation": secret, "password": _PASSWORD}, follow_redirects=False)
    assert house.client.get("/api/v1/me").json()["name"] == "other"
    house.client.cookies.clear()


def test_roles_are_changed_and_the_last_administrator_stays(house: House) -> None:
    """A builder becomes an adviser too; the last administrator neither loses the role nor is erased."""
    at = f"/people/{house.numbers['other']}/roles"
    assert _post(house, "administrator", at, **{"role.builder": "1", "role.adviser": "1"}).status_code == 303
    me = house.client.get("/api/v1/me", headers=house.headers("other")).json()
    assert me["roles"] == ["adviser", "builder"]
    own = f"/people/{house.numbers['administrator']}"
    assert _post(house, "administrator", f"{own}/roles", **{"role.builder": "1"}).status_code == 409
    assert _post(house, "administrator", f"{own}/erase", name="administrator").status_code == 409


def test_an_engine_changes_hands_only_once_both_agree(house: House) -> None:
    """Offered by its owner, accepted by the other; a stranger can take nothing, and an offer can be declined."""
    at = f"/installations/{house.builders}"
    assert _post(house, "builder", f"{at}/offer", to="nobody known").status_code == 422
    assert _post(house, "builder", f"{at}/offer", to="other").status_code == 303
    assert "Offered to other" in words(house.client.get(f"{at}/settings", headers=house.headers("builder")).text)
    assert house.client.get(at, headers=house.headers("other")).status_code == 404
    assert "builder offers you the engine" in words(
        house.client.get("/installations", headers=house.headers("other")).text
    )
    assert _post(house, "stranger", f"/account/offers/{house.builders}", accept="1").status_code == 404
    assert _post(house, "other", f"/account/offers/{house.builders}", decline="1").status_code == 303
    assert _post(house, "other", f"/account/offers/{house.builders}", accept="1").status_code == 404
    api = f"/api/v1/installations/{house.builders}/offer"
    put = house.client.put(f"{api}/{house.numbers['other']}", headers=house.headers("builder"))
    assert put.status_code == 204
    offered = house.client.get("/api/v1/me/offers", headers=house.headers("other")).json()
    assert [(each["installation_id"], each["owner"]) for each in offered] == [(house.builders, "builder")]
    assert house.client.put(f"/api/v1/me/offers/{house.builders}", headers=house.headers("other")).status_code == 204
    assert house.client.get(f"{at}/settings", headers=house.headers("other")).status_code == 200
    assert house.client.get(f"{at}/settings", headers=house.headers("builder")).status_code == 404


def test_somebody_leaves_by_page(house: House) -> None:
    """Once they typed their own name; another name erases nothing."""
    assert _post(house, "other", "/account/leave", name="builder").status_code == 422
    assert _post(house, "other", "/account/leave", name="other").status_code == 200
    assert house.client.get("/api/v1/me", headers=house.headers("other")).status_code == 401


def test_a_note_is_signed_by_its_account_and_changed_by_its_author_alone(house: House) -> None:
    """The adviser's note is new for the builder until marked as read; the builder cannot change it."""
    at = f"/api/v1/installations/{house.builders}/notes"
    adviser, builder = house.headers("adviser"), house.headers("builder")
    made = house.client.post(at, json={"text": "check the gasket"}, headers=adviser).json()
    assert (made["author"], made["mine"]) == ("adviser", True)
    seen = house.client.get(at, headers=builder).json()["notes"][0]
    assert (seen["new"], seen["mine"]) == (True, False)
    assert house.client.get("/api/v1/overview", headers=builder).json()["engines"][0]["new_notes"] == 1
    problem(house.client.put(f"{at}/{made['id']}", json={"text": "fly it"}, headers=builder), 403)
    problem(house.client.delete(f"{at}/{made['id']}", headers=builder), 403)
    _post(house, "builder", f"/installations/{house.builders}/seen")
    assert not house.client.get(at, headers=builder).json()["notes"][0]["new"]
    assert house.client.put(f"{at}/{made['id']}", json={"text": "look again"}, headers=adviser).status_code == 200
    assert house.client.get(at, headers=builder).json()["notes"][0]["new"]


def test_the_history_names_who_recorded_each_entry(house: House) -> None:
    """The adviser's entry and the owner's."""
    at = f"/api/v1/installations/{house.builders}"
    turn = {"kind": "turn_screw", "turns": 0.125}
    for who in ("adviser", "builder"):
        house.client.post(f"{at}/adjustments", json=turn, headers=house.headers(who) | {"Prefer": "respond-async"})
    entries = house.client.get(f"{at}/history", headers=house.headers("builder")).json()["entries"]
    assert [each["recorded_by"] for each in entries] == ["adviser", "builder"]
    page = house.client.get(f"/installations/{house.builders}/history", headers=house.headers("builder")).text
    assert "recorded by adviser" in words(page)


def test_a_copy_keeps_its_owner_and_is_never_shared(house: House) -> None:
    """The file names the owner and whether the summary was shared; here the owner is who is called so."""
    file = house.client.get(f"/api/v1/installations/{house.builders}/export", headers=house.headers("builder")).json()
    assert (file["contents"]["owner"], file["contents"]["shared"]) == ("builder", False)
    database: Database = house.client.app.state.database  # type: ignore[attr-defined]
    with database.unit() as session:
        row = session.get_one(Installation, archive.unpack(session, archive.Archive.model_validate(file)))
    assert (row.owner_id, row.imported) == (house.numbers["builder"], True)
    consent = house.client.post(
        f"/api/v1/installations/{row.id}/contribution", json={"consent": True}, headers=house.headers("builder")
    )
    assert "is a copy" in problem(consent, 409)["detail"]


def test_the_first_administrator_is_let_in_by_a_printed_link(
    database: Database, capsys: pytest.CaptureFixture[str]
) -> None:
    """Printed while nobody can administer the service; each start ends the link of the start before."""
    let_first_in(database, "http://127.0.0.1:8765")
    first = capsys.readouterr().out.strip().rpartition("=")[2]
    let_first_in(database, "http://127.0.0.1:8765")
    second = capsys.readouterr().out.strip().rpartition("=")[2]
    with database.unit() as session, pytest.raises(Exception, match="too old"):
        invitations.accept(session, first, _PASSWORD)
    with database.unit() as session:
        invitations.accept(session, second, _PASSWORD)
    let_first_in(database, "http://127.0.0.1:8765")
    assert capsys.readouterr().out == ""
    with database.unit() as session, pytest.raises(ConflictError):
        set_roles(session, 1, [Role.BUILDER])
    with database.unit() as session, pytest.raises(InvalidValueError):
        invitations.invite(session, "", [Role.BUILDER])
