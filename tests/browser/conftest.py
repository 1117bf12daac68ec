"""A real browser at phone size, and a service that can be switched off and on again."""

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import uvicorn

from taperwise.api.app import create_app
from taperwise.api.core.settings import Settings
from taperwise.api.recommendations.recommender_protocol import RecommenderProtocol
from taperwise.model.recommender import Recommender
from tests.api.conftest import StandIn

CHROMIUM = Path("/usr/bin/chromium")
PHONE = {"width": 360, "height": 740}


class Service:
    """The service on a port of its own; what it stored is there again after it was off."""

    def __init__(self, folder: Path, make_adviser: Callable[[int], RecommenderProtocol], **settings: Any) -> None:
        self._settings = Settings(data_folder=folder, database_url="", **settings)
        self._make = make_adviser
        self._host = self._settings.host
        with socket.create_server((self._host, 0)) as door:
            self._port = int(door.getsockname()[1])
        self.address = f"http://{self._host}:{self._port}"
        self._server: uvicorn.Server | None = None
        self._thread: threading.Thread | None = None

    def on(self) -> None:
        """Switch it on, and wait until it listens."""
        app = create_app(self._settings, self._make)
        self.app, self.database = app, app.state.database
        config = uvicorn.Config(
            app, host=self._host, port=self._port, log_level="error", log_config=None, timeout_graceful_shutdown=2
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, daemon=True)
        self._thread.start()
        for _ in range(200):
            if self._server.started:
                return
            time.sleep(0.05)
        pytest.fail("the service did not start")

    def off(self) -> None:
        """Switch it off, as a hangar's walls do."""
        if self._server is not None and self._thread is not None:
            self._server.should_exit = True
            self._thread.join(timeout=30)
            self._server = None


@pytest.fixture(scope="session")
def driver() -> Iterator[Any]:
    """Starts Debian's Chromium with arguments; what needs it is skipped only where it is not installed."""
    if not CHROMIUM.exists():
        pytest.skip(f"{CHROMIUM} is not installed")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as made:
        yield lambda *args: made.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox", *args])


@pytest.fixture(scope="session")
def chromium(driver: Any) -> Iterator[Any]:
    """A browser."""
    browser = driver()
    yield browser
    browser.close()


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    """A service with the stand-in for the model."""
    made = Service(tmp_path, StandIn)
    made.on()
    yield made
    made.off()


@pytest.fixture
def real_service(tmp_path: Path, recommender: Recommender) -> Iterator[Service]:
    """A service with the real model."""
    made = Service(tmp_path, lambda _seed: recommender)
    made.on()
    yield made
    made.off()


@pytest.fixture
def phone(chromium: Any, request: pytest.FixtureRequest) -> Iterator[Any]:
    """A phone's page; a test may ask for the dark or for no script. Whatever it asks of other hosts fails the test."""
    options = getattr(request, "param", {})
    context = chromium.new_context(viewport=PHONE, **options)
    page = context.new_page()
    page.set_default_timeout(20_000)
    asked: list[str] = []
    wrong: list[str] = []
    context.on("request", lambda sent: asked.append(sent.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on("console", lambda said: wrong.append(said.text) if "Content Security Policy" in said.text else None)
    yield page
    with contextlib.suppress(Exception):
        context.close()
    assert [url for url in asked if not url.startswith(("http://127.0.0.1:", "data:"))] == []
    assert wrong == []
