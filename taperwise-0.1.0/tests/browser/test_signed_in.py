"""Pages of a service that tells people apart, on a phone."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import delete, select

from taperwise.api.accounts.service import add, give_key
from taperwise.api.accounts.tables import SignIn
from taperwise.api.core.database import Entry
from taperwise.api.core.roles import Role, Scope
from tests.api.conftest import StandIn
from tests.browser.conftest import Service
from tests.browser.hands import whole
from tests.browser.test_accessible import violations


@pytest.fixture
def guarded(tmp_path: Path) -> Iterator[tuple[Service, str]]:
    """A service with keys, and a builder's key."""
    made = Service(tmp_path, StandIn, access="keys")
    made.on()
    with made.database.unit() as session:
        builder = add(session, "the builder", [Role.BUILDER])
        add(session, "the adviser", [Role.ADVISER])
        secret = give_key(session, builder.id, "phone", Scope.EVERYTHING)[1]
    yield made, secret
    made.off()


def _sign_in(phone: Any, secret: str) -> None:
    phone.fill("#key", secret)
    phone.locator("form").first.locator("button").click()


def _set_up(service: Service, phone: Any, secret: str) -> str:
    phone.goto(f"{service.address}/installations/new")
    assert "/sign-in?next=/installations/new" in phone.url
    _sign_in(phone, secret)
    phone.wait_for_url("**/installations/new")
    phone.fill("[name='needles.0.taper_slope.value']", "30")
    phone.check("[name='throttle_body.lean_direction'][value='clockwise']")
    phone.click("button:has-text('Set up this engine')")
    phone.wait_for_url("**/installations/1")
    return f"{service.address}/installations/1"


def test_an_entry_waits_for_the_sign_in(guarded: tuple[Service, str], phone: Any) -> None:
    """A sign-in that ran out while somebody typed loses nothing: the entry waits, and is sent after signing in."""
    service, secret = guarded
    home = _set_up(service, phone, secret)
    phone.goto(f"{home}/run")
    with service.database.unit() as session:
        session.execute(delete(SignIn))
    whole(phone)
    phone.fill("[name='air_temperature.value']", "68")
    phone.fill("[name='air_pressure.value']", "29.9")
    phone.fill("[name='elevation.value']", "650")
    phone.fill("[name='idle_rpm.value']", "790")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector("#queue :text('sent once you are signed in')")
    phone.click("#queue a:has-text('Sign in')")
    _sign_in(phone, secret)
    phone.wait_for_selector("#queue .sent")
    with service.database.unit() as session:
        rows = session.scalars(select(Entry)).all()
        assert [row.document["idle_rpm"]["value"] for row in rows] == [790]


def test_pages_of_access_have_no_violation(guarded: tuple[Service, str], phone: Any) -> None:
    """Sign-in, a sign-in that failed, the account with a new key, the advisers, and signed out; none wider than a
    phone.
    """
    service, secret = guarded
    found = {}

    def look(what: str) -> None:
        found[what] = violations(phone)
        assert phone.evaluate("document.documentElement.scrollWidth") <= 360, what

    phone.goto(f"{service.address}/sign-in")
    look("sign-in")
    _sign_in(phone, "nonsense")
    phone.wait_for_selector("[data-problem]")
    look("refused")
    home = _set_up(service, phone, secret)
    phone.goto(f"{home}/settings")
    look("advisers")
    phone.goto(f"{service.address}/account")
    phone.fill("#label", "shop")
    phone.click("button:has-text('Make access key')")
    phone.wait_for_selector(".secret")
    look("account")
    phone.click("button:has-text('Sign out')")
    phone.wait_for_selector("[data-signed-out]")
    look("signed out")
    assert {what: v for what, v in found.items() if v} == {}
