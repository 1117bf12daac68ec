"""Phones that a one-time key lets in, where sign-in is off: the user of the machine needs none, nobody else gets in."""

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
import segno

from taperwise.api.accounts.phones import GOOD_FOR, Phones
from taperwise.api.app import create_app
from taperwise.api.cli.phone import for_phones, let_phone_in
from taperwise.api.core import front_door
from taperwise.api.core.settings import Settings
from taperwise.shared.errors import InvalidValueError
from tests.api.asking import Client, problem
from tests.api.conftest import StandIn

_HANGAR = "http://192.0.2.20:8765"
_NEEDLES = {"needles": [{"label": "A", "taper_slope": {"value": 30, "unit": "mm/m"}}]}


def _from(app: Any, address: str) -> Client:
    return Client(app, base_url=_HANGAR, client=(address, 50_000), follow_redirects=False)


@pytest.fixture
def app(tmp_path: Path) -> Iterator[Any]:
    """A service that lets phones in, on the hangar's network."""
    settings = Settings(data_folder=tmp_path, database_url="", access="phone", host="192.0.2.20")
    made = create_app(settings, lambda _seed: StandIn(7))
    front_door.install(made, settings)
    with Client(made):
        yield made


def test_a_key_lets_one_phone_in_once(app: Any) -> None:
    """The link shows a button, so that a look at the link uses nothing up; then the phone may do what its owner may."""
    phone, second = _from(app, "192.0.2.31"), _from(app, "192.0.2.32")
    key = app.state.phones.new_key()
    for _ in range(2):
        shown = phone.get("/phone", params={"key": key})
        assert (shown.status_code, "Let this phone in" in shown.text) == (200, True)
    assert "Anyone on this network can read along" in shown.text
    assert phone.post("/phone", data={"key": key}).headers["location"] == "/installations"
    assert phone.post("/api/v1/installations", json=_NEEDLES, headers={"Origin": _HANGAR}).status_code == 201
    assert phone.get("/installations/1").status_code == 200
    assert second.get("/phone", params={"key": key}).status_code == 404
    assert second.post("/phone", data={"key": key}).status_code == 404
    problem(second.get("/api/v1/installations/1"), 401)


def test_nobody_else_gets_in(app: Any) -> None:
    """Neither reads nor forms nor documents; the page says what to do. The machine itself asks as before."""
    here, stranger = _from(app, "127.0.0.1"), _from(app, "192.0.2.99")
    assert here.post("/api/v1/installations", json=_NEEDLES).status_code == 201
    assert here.get("/installations/1").status_code == 200
    for path in ("/api/v1/installations", "/api/v1/installations/1", "/api/v1/installations/2"):
        assert "not let in" in problem(stranger.get(path), 401)["detail"]
    problem(stranger.post("/api/v1/installations", json=_NEEDLES), 401)
    problem(stranger.get("/api/v1/installations", headers={"Authorization": "Bearer et_x"}), 401)
    assert stranger.post("/installations/1/run", data={"x": "1"}).status_code == 401
    assert stranger.get("/installations/1").headers["location"].startswith("/sign-in")
    assert stranger.get("/sign-in").headers["location"] == "/phone"
    assert "Scan the code with this phone" in stranger.get("/phone").text
    stranger.cookies.set("taperwise", "et_guess")
    problem(stranger.get("/api/v1/installations"), 401)


def test_another_site_cannot_use_a_phone_that_was_let_in(app: Any) -> None:
    """Its browser sends the cookie along, and says where the form comes from; another name is not answered."""
    phone = _from(app, "192.0.2.31")
    phone.post("/phone", data={"key": app.state.phones.new_key()})
    elsewhere = {"Origin": "http://elsewhere.example.org"}
    assert phone.post("/api/v1/installations", json=_NEEDLES, headers=elsewhere).status_code == 403
    assert phone.post("/installations/new", data={"x": "1"}, headers=elsewhere).status_code == 403
    assert phone.post("/api/v1/installations", json=_NEEDLES, headers={"Origin": _HANGAR}).status_code == 201
    problem(_from(app, "127.0.0.1").get("/api/v1/installations", headers={"Host": "elsewhere.example.org"}), 421)


def test_the_machine_makes_codes_for_more_phones(app: Any) -> None:
    """On its own page alone; each code is a link that works once, and those let in before stay."""
    here, first, second = (_from(app, address) for address in ("127.0.0.1", "192.0.2.31", "192.0.2.32"))
    assert "Show a code" in here.get("/phone").text
    for phone in (first, second):
        made = here.post("/phone", data={"x": "1"}).text
        assert "<svg" in made and "viewBox" in made
        found = re.search(r'class="secret">http://192\.0\.2\.20:8765/phone\?key=([^<]+)<', made)
        assert found is not None, made
        assert phone.post("/phone", data={"key": found[1]}).status_code == 303
        assert phone.post("/phone", data={"x": "1"}, headers={"Origin": _HANGAR}).status_code == 404
    assert first.get("/api/v1/installations").status_code == second.get("/api/v1/installations").status_code == 200


def test_a_key_is_too_old_after_a_while() -> None:
    """To the second; a new key ends the one before."""
    now = datetime(2026, 5, 1, tzinfo=UTC)
    phones = Phones(lambda: now)
    assert not phones.opens("")
    first = phones.new_key()
    second = phones.new_key()
    assert (phones.opens(first), phones.opens(second)) == (False, True)
    now += GOOD_FOR - timedelta(seconds=1)
    assert phones.opens(second)
    now += timedelta(seconds=1)
    assert not phones.opens(second)
    assert phones.let_in(second) is None


def test_without_it_there_is_no_such_page(client: Client) -> None:
    """A service that lets no phones in says how to start one that does."""
    answer = client.get("/phone?key=et_x")
    assert answer.status_code == 404
    assert "taperwise serve --phone" in answer.text


def test_the_code_is_the_printed_link(capsys: pytest.CaptureFixture[str]) -> None:
    """It names the address on the network, holds a key that works, and what is encrypted is said beside it."""
    for more, start, told in (
        ({}, "http://192.0.2.20:8765/phone?key=", "Not encrypted: anyone on this network can read along"),
        (
            {"transport": "tls", "tls_certificate": "cert.pem", "tls_key": "key.pem", "public_names": "bench.example"},
            "https://bench.example:8765/phone?key=",
            "Encrypted with your certificate",
        ),
    ):
        phones = Phones()
        let_phone_in(phones, Settings(access="phone", host="192.0.2.20", **more))  # type: ignore[arg-type]
        printed = capsys.readouterr().out
        (link,) = (line for line in printed.splitlines() if line.startswith("http"))
        assert link.startswith(start)
        assert phones.opens(link.partition("=")[2])
        drawn = StringIO()
        segno.make_qr(link, error="l").terminal(drawn, compact=True, border=2)
        assert drawn.getvalue() in printed
        assert told in printed


def test_what_cannot_let_phones_in_is_refused() -> None:
    """Sign-in is never switched off by it, and a proxy would make everyone the user of the machine."""
    with pytest.raises(InvalidValueError, match="Sign-in is on"):
        for_phones(Settings(access="keys"))
    with pytest.raises(InvalidValueError, match="proxy"):
        Settings(access="phone", transport="proxy")
    with pytest.raises(InvalidValueError, match="beyond this machine"):
        Settings(host="192.0.2.20")
    made = for_phones(Settings(host="192.0.2.20", access="phone", port=9000))
    assert (made.host, made.access, made.port, made.encrypted) == ("192.0.2.20", "phone", 9000, False)
