"""A photo beside a run, taken where there is no signal: it waits on the phone with its run, and is kept once, small."""

import os
from pathlib import Path
from typing import Any

from tests.api.test_photos import taken
from tests.browser.conftest import Service
from tests.browser.hands import type_a_run
from tests.browser.test_no_signal import _set_up, _worker_ready

_LOADED = "() => [...document.querySelectorAll('.photos img')].every((image) => image.complete && image.naturalWidth)"


def _keep_picture(page: Any, name: str) -> None:
    folder = os.environ.get("TAPERWISE_PICTURES")
    if folder:
        page.screenshot(path=Path(folder) / f"{name}.png", full_page=True)


def test_a_photo_waits_with_its_run_and_a_second_is_added_later(service: Service, phone: Any) -> None:
    """Chosen with the run and out of reach of the service; the other in the history, and deleted there."""
    home = _set_up(service)
    _worker_ready(phone, home)
    service.off()
    phone.goto(f"{home}/run")
    phone.wait_for_selector("#queue:has-text('This page is the copy kept at')")
    type_a_run(phone, "160")
    photo = {"name": "of the exhaust tips.jpg", "mimeType": "image/jpeg", "buffer": taken()}
    phone.click("summary:has-text('Photo')")
    phone.set_input_files("[name=photo]", photo)
    phone.locator("[name=photo]").scroll_into_view_if_needed()
    _keep_picture(phone, "run-with-photo")
    phone.click("button:has-text('Record the run')")
    phone.wait_for_selector("#queue:has-text('1 entry is not sent yet')")
    phone.reload()
    phone.wait_for_selector("#queue:has-text('1 entry is not sent yet')")
    service.on()
    phone.wait_for_selector("#queue:has-text('Sent: A run')", timeout=60_000)  # by itself, sooner or later
    phone.goto(f"{home}/history")
    phone.wait_for_function(_LOADED)
    assert phone.locator(".photos img").count() == 1
    phone.click("summary:has-text('Add a photo to run 1')")
    phone.set_input_files("details[open] [name=photo]", photo)
    phone.click("details[open] button:has-text('Add photo')")
    phone.wait_for_selector(".photos li:nth-child(2)")
    phone.wait_for_function(_LOADED)
    _keep_picture(phone, "history-with-photos")
    assert phone.evaluate("document.documentElement.scrollWidth <= innerWidth")
    phone.click("summary:has-text('Delete photo 1')")
    _keep_picture(phone, "history-delete")
    phone.click("button:has-text('Delete photo 1 for good') >> visible=true")
    phone.wait_for_function("document.querySelectorAll('.photos img').length === 1")
    phone.goto(f"{home}/sheet")
    phone.wait_for_selector(".sheet .photo")
    assert phone.evaluate("document.querySelector('.sheet .photo').naturalWidth") == 640
    _keep_picture(phone, "sheet-with-photo")
