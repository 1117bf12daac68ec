"""Keys, passwords and sign-ins."""

import re

import pytest
from sqlalchemy import select

from taperwise.api.accounts import credentials
from taperwise.api.accounts.tables import Change, Key, Person, SignIn
from taperwise.api.core.settings import Settings
from taperwise.shared.errors import InvalidValueError
from tests.api.accounts.conftest import House
from tests.api.asking import problem


def test_a_key_is_shown_once_and_kept_as_a_digest(house: House) -> None:
    """Neither a key nor a cookie nor a password stands in any table."""
    made = house.client.post("/api/v1/me/keys", json={"label": "x"}, headers=house.headers("builder")).json()
    secret = made["secret"]
    assert house.client.get("/api/v1/me", headers={"Authorization": f"Bearer {secret}"}).json()["name"] == "builder"
    listed = house.client.get("/api/v1/me/keys", headers=house.headers("builder"))
    assert secret not in listed.text
    with house.client.app.state.database.unit() as session:  # type: ignore[attr-defined]
        rows = session.scalars(select(Key)).all()
        assert {len(row.digest) for row in rows} == {64}
        assert all(secret not in str(vars(row)) for row in rows)


def test_a_revoked_key_opens_nothing(house: House) -> None:
    """Nor does a browser that signed in with it."""
    client = house.client
    made = client.post("/api/v1/me/keys", json={}, headers=house.headers("builder")).json()
    signed = client.post("/sign-in", data={"key": made["secret"]}, follow_redirects=False)
    assert signed.status_code == 303
    assert client.get("/account").status_code == 200
    client.delete(f"/api/v1/me/keys/{made['key']['id']}", headers=house.headers("builder"))
    problem(client.get("/api/v1/me", headers={"Authorization": f"Bearer {made['secret']}"}), 401)
    assert client.get("/account", follow_redirects=False).status_code == 303
    client.cookies.clear()


def test_a_wrong_key_is_told_so(house: House) -> None:
    """With how to do better, and never with the key in the answer."""
    for said in ("Bearer nonsense", "Basic YTpi", "Bearer", "Bearer \u00e9"):
        answer = house.client.get("/api/v1/me", headers={"Authorization": said.encode("latin-1")})
        document = problem(answer, 401)
        assert answer.headers["www-authenticate"].startswith("Bearer")
        assert "nonsense" not in document["detail"]


def test_last_use_is_kept(house: House) -> None:
    """For the owner to see which key is forgotten."""
    keys = house.client.get("/api/v1/me/keys", headers=house.headers("builder")).json()
    assert {key["label"]: key["last_used_at"] is not None for key in keys} == {"test": True, "display": False}


def test_a_password_opens_the_pages(house: House) -> None:
    """Under Argon2id; the cookie is out of reach of scripts, and a new password ends every sign-in."""
    client, builder = house.client, house.headers("builder")
    words = "hangar gasket walnut seven"
    assert client.put("/api/v1/me/password", json={"password": words}, headers=builder).status_code == 204
    with client.app.state.database.unit() as session:  # type: ignore[attr-defined]
        kept = session.scalars(select(Person).where(Person.name == "builder")).one().password
    assert kept is not None
    assert kept.startswith("$argon2id$")
    wrong = client.post("/sign-in", data={"name": "builder", "password": "wrong wrong wrong"})
    assert wrong.status_code == 401
    nobody = client.post("/sign-in", data={"name": "no such name", "password": words})
    assert nobody.status_code == 401
    assert nobody.text == wrong.text
    signed = client.post(
        "/sign-in", data={"name": "builder", "password": words, "next": f"/installations/{house.builders}"},
        follow_redirects=False,
    )  # fmt: skip
    assert signed.headers["location"] == f"/installations/{house.builders}"
    cookie = signed.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=lax" in cookie
    assert "hangar" not in cookie
    assert client.get("/installations").status_code == 200
    client.put("/api/v1/me/password", json={"password": words + " more"}, headers=builder)
    assert client.get("/installations", follow_redirects=False).status_code == 303
    client.cookies.clear()


def test_a_short_password_is_refused(house: House) -> None:
    """And the name is none."""
    for password in ("short", "x" * 11):
        answer = house.client.put("/api/v1/me/password", json={"password": password}, headers=house.headers("builder"))
        assert password not in problem(answer, 422)["detail"]


def test_the_cookie_travels_encrypted_where_the_service_does(house: House) -> None:
    """Bound to this host then (RFC 6265bis, section 4.1.3.2)."""
    from taperwise.api.accounts.authentication import cookie_name

    assert cookie_name(True) == "__Host-taperwise"


def test_sign_in_never_leads_elsewhere(house: House) -> None:
    """Whatever the address says."""
    for to in ("//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)", "/sign-in"):
        data = {"key": house.keys["builder"], "next": to}
        answer = house.client.post("/sign-in", data=data, follow_redirects=False)
        assert answer.headers["location"] == "/installations", to
        house.client.cookies.clear()


def test_a_form_from_elsewhere_changes_nothing(house: House) -> None:
    """A browser that is signed in sends its cookie along; where it comes from decides (cross-site request forgery)."""
    client = house.client
    client.post("/sign-in", data={"key": house.keys["builder"]})
    at = f"/installations/{house.builders}/notes"
    for headers in ({"Origin": "https://evil.example"}, {"Sec-Fetch-Site": "cross-site"},
                    {"Sec-Fetch-Site": "same-site"}, {}):  # fmt: skip
        assert client.post(at, data={"text": "forged"}, headers=headers).status_code == 403, headers
        api = client.post(f"/api/v1{at}", json={"text": "forged"}, headers=headers)
        assert problem(api, 403)["errors"][0]["field"] == "origin"
    own = client.post(at, data={"text": "meant"}, headers={"Sec-Fetch-Site": "same-origin"}, follow_redirects=False)
    assert own.status_code == 303
    assert [n["text"] for n in client.get(f"/api/v1{at}").json()["notes"]] == ["meant"]
    client.cookies.clear()


def test_a_form_of_nobody_known_is_not_taken_for_recorded(house: House) -> None:
    """No redirect that a queue would follow and take for success: 401, with what to do."""
    answer = house.client.post(f"/installations/{house.builders}/run", data={"note": "x"}, follow_redirects=False)
    assert answer.status_code == 401
    assert "not signed in" in answer.text.casefold()


def test_signing_out(house: House) -> None:
    """Ends it, here and in the tables."""
    client = house.client
    client.post("/sign-in", data={"key": house.keys["builder"]})
    page = client.get("/account").text
    assert "Sign out" in page
    out = client.post("/sign-out", headers={"Sec-Fetch-Site": "same-origin"}, data={"x": "1"})
    assert "data-signed-out" in out.text
    with client.app.state.database.unit() as session:  # type: ignore[attr-defined]
        assert session.scalars(select(SignIn)).all() == []
    assert client.get("/account", follow_redirects=False).status_code == 303


def test_keys_from_the_account_page(house: House) -> None:
    """Made, shown once, revoked."""
    client = house.client
    client.post("/sign-in", data={"key": house.keys["builder"]})
    own = {"Sec-Fetch-Site": "same-origin"}
    page = client.post("/account/keys", data={"label": "shop", "scope": "reading"}, headers=own).text
    secret = re.search(r'class="secret">([^<]+)<', page)
    assert secret is not None
    said = client.get("/api/v1/me", headers={"Authorization": f"Bearer {secret[1]}"}).json()
    assert said["only_reads"] is True
    assert secret[1] not in client.get("/account").text
    client.cookies.clear()


def test_too_many_tries(house: House) -> None:
    """To sign in, from one address or for one name; with how long to wait."""
    codes = [
        house.client.post("/sign-in", data={"name": "builder", "password": "guess"}).status_code for _ in range(12)
    ]
    assert codes.count(401) == 10
    last = house.client.post("/sign-in", data={"name": "builder", "password": "guess"})
    assert last.status_code == 429
    assert 1 <= int(last.headers["retry-after"]) <= 61


def test_changes_are_kept_with_who_made_them(house: House) -> None:
    """In the same transaction: what was refused leaves nothing."""
    builder, administrator = house.headers("builder"), house.headers("administrator")
    at = f"/api/v1/installations/{house.builders}"
    house.client.post(f"{at}/adjustments", json={"kind": "turn_screw", "turns": 99}, headers=builder)
    made = house.client.post(f"{at}/notes", json={"text": "seen"}, headers=builder)
    found = house.client.get("/api/v1/changes", headers=administrator).json()
    assert found[0]["what"] == "notes"
    assert found[0]["person_id"] == house.numbers["builder"]
    assert found[0]["request_id"] == made.headers["x-request-id"]
    assert found[0]["by"].startswith("key ")


def test_erasure(house: House) -> None:
    """Everything of an owner is gone, what they did stays known, not that it was they; exported before."""
    client, builder = house.client, house.headers("builder")
    at = f"/api/v1/installations/{house.builders}"
    client.post(f"{at}/adjustments", json={"kind": "turn_screw", "turns": 0.125}, headers=builder)
    client.post(f"{at}/notes", json={"text": "walnut"}, headers=builder)
    export = client.get("/api/v1/me/export", headers=builder)
    assert "walnut" in export.text
    assert len(export.json()["installations"]) == 1
    assert client.delete("/api/v1/me", headers=builder).status_code == 204
    problem(client.get(at, headers=builder), 401)
    problem(client.get(at, headers=house.headers("adviser")), 404)
    database = client.app.state.database  # type: ignore[attr-defined]
    raw = (database.engine.url.database).encode()
    with database.unit() as session:
        assert session.scalars(select(Change).where(Change.person_id == house.numbers["builder"])).all() == []
        assert session.scalars(select(Change).where(Change.by == "erased")).all() != []
        left = session.get_one(Person, house.numbers["builder"])
        assert (left.name, left.roles, left.password) == (None, [], None)
    assert raw  # a file, whose pages SQLite may keep until they are written over; the tables hold nothing
    assert client.get(f"/api/v1/installations/{house.others}", headers=house.headers("other")).status_code == 200


def test_the_last_administrator_stays(house: House) -> None:
    """Nobody could let anybody in any more."""
    problem(house.client.delete("/api/v1/me", headers=house.headers("administrator")), 409)


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"host": "0.0.0.0"}, "host"),  # noqa: S104 - the very thing that has to be refused
        ({"host": "0.0.0.0", "access": "keys"}, "transport"),  # noqa: S104 - as above
        ({"host": "192.0.2.1", "access": "keys", "transport": "tls"}, "tls_certificate"),
        ({"host": "hangar.example"}, "host"),
    ],
)
def test_listening_wider_needs_keys_and_a_transport(given: dict[str, str], field: str) -> None:
    """Refused with the cure."""
    with pytest.raises(InvalidValueError) as refused:
        Settings(**given)
    assert refused.value.field == field
    assert refused.value.cure


def test_listening_wider_with_both() -> None:
    """Is accepted."""
    settings = Settings(host="0.0.0.0", access="keys", transport="proxy")  # noqa: S104 - what is tried
    assert settings.for_others
    assert settings.encrypted


def test_hashes_of_passwords_are_salted() -> None:
    """Argon2id (RFC 9106): twice the same password is not twice the same hash, and only the right one fits."""
    one, two = credentials.hash_password("four words of mine"), credentials.hash_password("four words of mine")
    assert one != two
    assert credentials.verify_password("four words of mine", one)
    assert not credentials.verify_password("four words of thine", one)
    assert not credentials.verify_password("four words of mine", None)
