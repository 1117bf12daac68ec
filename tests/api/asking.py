"""What the tests of the service send, and how they read a refusal."""

import asyncio
import uuid
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from starlette.testclient import TestClient

from taperwise.api.files.installation import fixture

AIR = {"air_temperature": {"value": 68, "unit": "degF"}, "pressure": {"value": 29.9, "unit": "inHg"}}
RISE = {"egt_rise": {"seen": "peak", "rise": {"value": 95, "unit": "delta_degF"}}}
RUN = AIR | RISE


def with_a_dead_probe() -> str:
    """The invented sweep, its second exhaust column at 380 °F throughout."""
    rows = [line.split(",") for line in fixture("sweep.csv").read_text(encoding="utf-8").splitlines()]
    return "\n".join(",".join([*row[:2], row[2] if i == 0 else "380", *row[3:]]) for i, row in enumerate(rows))


def problem(answer: Any, status: int) -> dict[str, Any]:
    """The problem document of an answer that has to be one."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    document: dict[str, Any] = answer.json()
    assert document["status"] == status
    return document


class Client(TestClient):
    """Gives all it posts to the JSON API an id of its own, where the test gives none."""

    def request(self, method: str, url: Any, **rest: Any) -> Any:
        """Send it."""
        headers = dict(rest.pop("headers", None) or {})
        if method.upper() == "POST" and not any(name.lower() == "idempotency-key" for name in headers):
            headers["Idempotency-Key"] = uuid.uuid4().hex
        return super().request(method, url, headers=headers, **rest)


def awaited(coroutine: Coroutine[Any, Any, Any]) -> Any:
    """What a coroutine gives, run in a thread of its own: a browser that is open keeps a loop in this one."""
    with ThreadPoolExecutor(1) as apart:
        return apart.submit(asyncio.run, coroutine).result()
