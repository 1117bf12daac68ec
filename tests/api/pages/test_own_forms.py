"""Forms as they come in: whole, or not at all."""

import asyncio
from typing import Any

from api.pages.own_forms import OwnForms


def test_a_form_cut_off_on_its_way_reaches_nobody() -> None:
    """A connection that closes half-way is answered as such: half a form would be recorded as if it were whole."""
    reached: list[str] = []
    said: list[dict[str, Any]] = []
    half = iter([{"type": "http.request", "body": b"seen=peak&ris", "more_body": True}, {"type": "http.disconnect"}])

    async def app(scope: Any, receive: Any, send: Any) -> None:
        reached.append(scope["path"])

    async def receive() -> Any:
        return next(half)

    async def send(message: Any) -> None:
        said.append(message)

    headers = [(b"content-type", b"application/x-www-form-urlencoded")]
    scope = {"type": "http", "method": "POST", "path": "/installations/1/run", "headers": headers}
    asyncio.run(OwnForms(app, 1000)(scope, receive, send))
    assert reached == []
    assert said[0]["status"] == 400
    assert b"the connection closed before it was whole" in said[1]["body"]
