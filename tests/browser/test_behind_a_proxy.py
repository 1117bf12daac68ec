"""The service behind a real nginx with TLS and a prefix, as `api/deploy/nginx.conf` sets it up."""

import json
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from http.client import HTTPConnection, HTTPSConnection
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from taperwise.api.accounts.service import add, give_key
from taperwise.api.app import create_app
from taperwise.api.core import front_door
from taperwise.api.core.database import Database
from taperwise.api.core.roles import Role, Scope
from taperwise.api.core.settings import Settings
from tests.api.conftest import StandIn
from tests.browser.behind_nginx import NAME, PREFIX, free_port, nginx
from tests.browser.conftest import PHONE
from tests.browser.hands import set_up_one, type_a_run


class _Behind:
    """The service behind its proxy: the ports of both, a builder's key, and a switch."""

    def __init__(self, folder: Path) -> None:
        self.settings = Settings(
            data_folder=folder, database_url="", access="keys", transport="proxy", port=free_port(),
            public_names=NAME, root_path=PREFIX,
        )  # fmt: skip
        database = Database(self.settings.url)
        database.migrate()
        with database.unit() as session:
            person = add(session, "the builder", [Role.BUILDER])
            self.secret = give_key(session, person.id, "phone", Scope.EVERYTHING)[1]
        database.close()
        self.proxy_port = 0

    def on(self) -> None:
        app = create_app(self.settings, StandIn)
        front_door.install(app, self.settings)
        config = uvicorn.Config(
            app, host="127.0.0.1", port=self.settings.port, log_level="error", log_config=None, proxy_headers=False,
            timeout_graceful_shutdown=2,
        )  # fmt: skip
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, daemon=True)
        self._thread.start()
        while not self._server.started:
            time.sleep(0.05)

    def off(self) -> None:
        self._server.should_exit = True
        self._thread.join(120)
        assert not self._thread.is_alive()

    def get(self, path: str, host: str = NAME, **headers: str) -> tuple[int, dict[str, str], str]:
        """An answer that came through the proxy."""
        context = ssl.create_default_context()
        context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
        with closing(HTTPSConnection("127.0.0.1", self.proxy_port, context=context, timeout=60)) as asked:
            asked.request("GET", path, headers={"Host": host, **headers})
            found = asked.getresponse()
            return found.status, {k.lower(): v for k, v in found.getheaders()}, found.read().decode()


@pytest.fixture(params=["prefix passed on", "prefix taken off"])
def behind(tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[_Behind]:
    """A service that tells people apart, behind its proxy."""
    made = _Behind(tmp_path)
    made.on()
    with nginx(tmp_path, made.settings.port, keep_prefix=request.param == "prefix passed on") as port:
        made.proxy_port = port
        yield made
    made.off()


def test_every_address_of_a_page_has_the_prefix(behind: _Behind) -> None:
    """Links, forms, parts and redirects: nothing leads out of the prefix, and every link of the help page opens."""
    status, _, page = behind.get(f"{PREFIX}/help")
    assert status == 200
    addresses = {part.split('"')[0] for name in ("href", "src", "action") for part in page.split(f' {name}="')[1:]}
    inside = {each for each in addresses if each.startswith("/")}
    assert len(inside) > 10
    assert [each for each in inside if not each.startswith(f"{PREFIX}/")] == []
    found = {each: behind.get(each)[0] for each in sorted(inside)[:12]}
    assert found == {each: 303 if each == f"{PREFIX}/installations" else 200 for each in found}
    status, headers, _ = behind.get(f"{PREFIX}/installations")
    assert (status, headers["location"]) == (303, f"{PREFIX}/sign-in?next=/installations")
    key = f"Bearer {behind.secret}"
    assert json.loads(behind.get(f"{PREFIX}/api/v1/installations", Authorization=key)[2])["installations"] == []
    assert json.loads(behind.get(f"{PREFIX}/openapi.json")[2])["servers"] == [{"url": PREFIX}]


def test_names_and_callers_behind_a_proxy(behind: _Behind) -> None:
    """A public name is answered and no other, through the proxy and from this machine."""
    assert behind.get(f"{PREFIX}/healthz")[0] == 200
    assert behind.get(f"{PREFIX}/healthz", host="elsewhere.example.org")[0] == 421
    with closing(HTTPConnection("127.0.0.1", behind.settings.port, timeout=60)) as door:
        door.request("GET", "/healthz", headers={"Host": NAME, "X-Forwarded-For": "203.0.113.7"})
        assert door.getresponse().status == 200


def test_a_phone_signs_in_and_keeps_pages_behind_a_proxy(behind: _Behind, driver: Any) -> None:
    """Sign-in, set-up, a run that waits while the service is away, and is sent once: all under name, TLS and prefix."""
    home = f"https://{NAME}:{behind.proxy_port}{PREFIX}"
    browser = driver("--ignore-certificate-errors", f"--host-resolver-rules=MAP {NAME} 127.0.0.1")
    try:
        phone = browser.new_context(viewport=PHONE, ignore_https_errors=True).new_page()
        phone.set_default_timeout(20_000)
        asked: list[str] = []
        phone.on("request", lambda sent: asked.append(sent.url))
        _tune(phone, behind, home)
    finally:
        browser.close()
    assert [url for url in asked if not url.startswith((f"{home}/", "data:"))] == []


def _tune(phone: Any, behind: _Behind, home: str) -> None:
    phone.goto(f"{home}/installations/new")
    phone.fill("#key", behind.secret)
    phone.locator("form").first.locator("button").click()
    phone.wait_for_url("**/installations/new")
    set_up_one(phone)
    phone.wait_for_url("**/tuning/installations/1")
    phone.evaluate("navigator.serviceWorker.ready")
    phone.reload()
    phone.wait_for_function("""async () => {
        const name = (await caches.keys()).find((each) => each.startsWith("pages"));
        if (!name) return false;
        const kept = (await (await caches.open(name)).keys()).map((each) => new URL(each.url).pathname);
        return kept.includes("/tuning/installations/1/run");
    }""")
    behind.off()
    phone.goto(f"{home}/installations/1/run")
    phone.wait_for_selector("#queue:has-text('This page is the copy kept at')")
    type_a_run(phone, "160")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector("#queue:has-text('1 entry is not sent yet')")
    behind.on()
    phone.click("button:has-text('Send now')")
    phone.wait_for_selector("#queue:has-text('Sent: A run')")
    status, _, body = behind.get(f"{PREFIX}/api/v1/installations/1/history", Authorization=f"Bearer {behind.secret}")
    assert status == 200
    assert [entry["kind"] for entry in json.loads(body)["entries"]] == ["run"]
