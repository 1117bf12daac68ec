"""Where the hangar has no signal: nothing typed is lost, everything is sent once, and it is said what is not sent."""

import json
import re
from typing import Any
from urllib.request import Request, urlopen

from tests.browser.conftest import Service
from tests.browser.hands import turn_leaner, type_a_run

_NEEDLE = {"label": "A", "taper_slope": {"value": 30, "unit": "mm/m"}}


def _set_up(service: Service) -> str:
    body = json.dumps({"needles": [_NEEDLE], "elevation": {"value": 650, "unit": "ft"}}).encode()
    headers = {"content-type": "application/json", "idempotency-key": "set-up-1"}
    sent = Request(f"{service.address}/api/v1/installations", body, headers)  # noqa: S310 - our own
    with urlopen(sent) as answer:  # noqa: S310 - our own service
        return f"{service.address}/installations/{json.load(answer)['id']}"


def _entries(service: Service, home: str) -> list[dict[str, Any]]:
    number = home.rpartition("/")[2]
    with urlopen(f"{service.address}/api/v1/installations/{number}/history") as answer:  # noqa: S310 - as above
        found: list[dict[str, Any]] = json.load(answer)["entries"]
        return found


def _worker_ready(page: Any, home: str) -> None:
    """The worker is in charge and has the pages that will be needed."""
    page.goto(home)
    page.evaluate("navigator.serviceWorker.ready")
    page.wait_for_function(
        """async () => {
            const names = (await caches.keys()).filter((name) => name.startsWith("pages"));
            if (!names.length) return false;
            const kept = (await (await caches.open(names[0])).keys()).map((request) => new URL(request.url).pathname);
            return ["", "/run", "/adjust", "/before"].every((part) => kept.includes(location.pathname + part));
        }"""
    )


def test_a_run_waits_on_the_phone_and_is_sent_once(service: Service, phone: Any) -> None:
    """Pages open from the copy, entries wait in order through a reload, and are there once, as typed, afterwards."""
    home = _set_up(service)
    _worker_ready(phone, home)
    service.off()
    phone.goto(f"{home}/run")
    phone.wait_for_selector("#queue:has-text('This page is the copy kept at')")
    type_a_run(phone, "160")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector("#queue:has-text('1 entry is not sent yet')")
    assert phone.input_value("[name='peak.value']") == ""
    phone.goto(f"{home}/adjust")
    turn_leaner(phone)
    phone.wait_for_selector("#queue:has-text('2 entries are not sent yet')")
    phone.reload()
    phone.wait_for_selector("#queue:has-text('2 entries are not sent yet')")
    service.on()
    phone.click("button:has-text('Send now')")
    phone.wait_for_selector("#queue:has-text('Sent: An adjustment')")
    assert "not sent yet" not in phone.inner_text("#queue")
    assert "cannot be reached" not in phone.inner_text("#queue")
    found = _entries(service, home)
    assert [e["kind"] for e in found] == ["run", "adjustment"]
    assert found[0]["run"]["egt_rise"]["rise"]["value"] == 160
    assert found[1]["adjustment"]["turns"] == -0.125
    phone.goto(home)
    phone.wait_for_selector(".step")
    assert "not sent" not in phone.inner_text("body")


def test_an_answer_that_is_lost_makes_no_second_entry(service: Service, phone: Any) -> None:
    """The service stored the run but its answer never came: the phone sends again, and the run is there once."""
    home = _set_up(service)
    phone.goto(f"{home}/run")

    def lose(route: Any) -> None:
        route.fetch(max_redirects=0)  # the service has it
        route.abort()  # the phone never hears of it

    phone.route(re.compile("/run$"), lambda route: lose(route) if route.request.method == "POST" else route.continue_())
    type_a_run(phone, "120")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector("#queue:has-text('1 entry is not sent yet')")
    assert len(_entries(service, home)) == 1
    phone.unroute_all(behavior="wait")
    phone.click("button:has-text('Send now')")
    phone.wait_for_selector("#queue:has-text('Sent: A run')")
    assert len(_entries(service, home)) == 1


def test_what_was_typed_survives_a_reload(service: Service, phone: Any) -> None:
    """A form that was left half filled is filled again, and says so; once recorded it is empty."""
    home = _set_up(service)
    phone.goto(f"{home}/run")
    type_a_run(phone, "150")
    phone.check("[name='idle_quality'][value='smooth']")
    phone.reload()
    assert "is back" in phone.inner_text("form")
    assert phone.input_value("[name='peak.value']") == "150"
    assert phone.is_checked("[name='seen'][value='peak']")
    assert phone.is_checked("[name='idle_quality'][value='smooth']")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector(".step")
    phone.goto(f"{home}/run")
    assert phone.input_value("[name='peak.value']") == ""
    assert len(_entries(service, home)) == 1


def test_what_is_refused_is_kept_and_mended(service: Service, phone: Any) -> None:
    """An entry the service refuses later holds back the ones behind it, says why, and can be mended."""
    home = _set_up(service)
    _worker_ready(phone, home)
    service.off()
    phone.goto(f"{home}/run")
    type_a_run(phone, "9000")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector("#queue:has-text('1 entry is not sent yet')")
    phone.goto(f"{home}/adjust")
    turn_leaner(phone)
    phone.wait_for_selector("#queue:has-text('2 entries are not sent yet')")
    service.on()
    phone.click("button:has-text('Send now')")
    phone.wait_for_selector("#queue:has-text('Not accepted')")
    assert "Plausible values for a temperature difference are" in phone.inner_text("#queue")
    assert _entries(service, home) == []
    phone.click("button:has-text('Mend it')")
    phone.wait_for_selector("form:has-text('is back')")
    phone.wait_for_selector("#queue:has-text('Being mended')")
    assert phone.input_value("[name='peak.value']") == "9000"
    phone.fill("[name='peak.value']", "90")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector(".step")
    found = _entries(service, home)
    assert [e["kind"] for e in found] == ["run", "adjustment"]
    assert found[0]["run"]["egt_rise"]["rise"]["value"] == 90
    phone.reload()
    assert phone.is_hidden("#queue")


def test_a_refusal_at_once_keeps_the_form(service: Service, phone: Any) -> None:
    """With a connection the refusal stands beside the field, the form as typed, and nothing waits."""
    home = _set_up(service)
    phone.goto(f"{home}/run")
    type_a_run(phone, "9000")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector(".wrong")
    assert phone.input_value("[name='peak.value']") == "9000"
    assert phone.evaluate("document.activeElement.hasAttribute('data-problem')")
    assert phone.is_hidden("#queue")
    phone.fill("[name='peak.value']", "90")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector(".step")
    assert len(_entries(service, home)) == 1
