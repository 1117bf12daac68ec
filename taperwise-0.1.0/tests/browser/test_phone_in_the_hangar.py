"""A phone on the hangar's own network, over plain http: let in by a link, and what works there without a signal."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from taperwise.api.cli.phone import for_phones
from taperwise.api.core.settings import Settings
from taperwise.shared.errors import InvalidValueError
from tests.api.conftest import StandIn
from tests.browser.conftest import PHONE, Service
from tests.browser.hands import set_up_one, type_a_run
from tests.browser.test_accessible import violations


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Service]:
    """A service on this machine's address on its network."""
    try:
        host = for_phones(Settings()).host
    except InvalidValueError:
        pytest.skip("this machine has no address on a network")
    made = Service(tmp_path, StandIn, access="phone", host=host)
    made.on()
    yield made
    made.off()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_is_let_in_and_records_without_a_signal(bench: Service, chromium: Any, scheme: str) -> None:
    """Two taps from the code to the engines; a run made without a signal waits on the phone and is sent afterwards."""
    context = chromium.new_context(viewport=PHONE, color_scheme=scheme)
    phone = context.new_page()
    phone.goto(f"{bench.address}/installations")
    assert "Scan the code with this phone" in phone.inner_text("main")
    assert violations(phone) == []
    phone.goto(f"{bench.address}/phone?key={bench.app.state.phones.new_key()}")
    assert not phone.evaluate("isSecureContext")
    assert violations(phone) == []
    phone.click("button:has-text('Let this phone in')")
    phone.wait_for_url("**/installations")
    phone.click("a:has-text('Set up an engine')")
    set_up_one(phone)
    phone.wait_for_selector(".step")
    phone.click("a:has-text('Record the run')")
    context.set_offline(True)
    type_a_run(phone, "160")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector("#queue:has-text('1 entry is not sent yet')")
    context.set_offline(False)
    phone.click("button:has-text('Send now')")
    phone.wait_for_selector("#queue:has-text('Sent:')")
    phone.goto(f"{bench.address}/installations/1")
    phone.wait_for_selector(".step")
    assert "1 run recorded" in phone.text_content("main")
    context.close()
