"""What is sent once is recorded once: draft-ietf-httpapi-idempotency-key-header-07, sections 2.6 and 2.7."""

import threading
from pathlib import Path
from typing import Any

import pytest
from starlette.testclient import TestClient

from taperwise.api.app import create_app
from taperwise.api.core.settings import Settings
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn

_NEEDLES = {"needles": [{"label": "A", "taper_slope": {"value": 30.0, "unit": "mm/m"}}]}


@pytest.fixture
def at(client: Client) -> str:
    """An installation with a run."""
    number = client.post("/api/v1/installations", json=_NEEDLES).json()["id"]
    client.post(f"/api/v1/installations/{number}/runs", json=RUN)
    return f"/api/v1/installations/{number}"


def _each(at: str) -> list[tuple[str, dict[str, Any], dict[str, Any]]]:
    """Everything that takes an id: where, what, and something else."""
    return [
        ("/api/v1/installations", _NEEDLES, _NEEDLES | {"name": "other"}),
        (f"{at}/runs", RUN, RUN | {"idle_quality": 3}),
        (f"{at}/adjustments", {"kind": "turn_screw", "turns": 0.125}, {"kind": "turn_screw", "turns": 0.25}),
        (f"{at}/acknowledgements", {"cause": "a loose baffle"}, {"cause": "nothing found"}),
        (f"{at}/notes", {"text": "gasket"}, {"text": "baffle"}),
        (f"{at}/entries/1/corrections", {"reason": "twice", "void": True}, {"reason": "wrong", "void": True}),
    ]


def test_missing_reused_and_again(client: Client, at: str) -> None:
    """Without an id 400, with something else under it 422, the same again answered as before; nothing is doubled."""
    bare = TestClient(client.app, base_url=client.base_url)
    for address, sent, other in _each(at):
        missing = problem(bare.post(address, json=sent), 400)
        assert missing["errors"][0]["field"].lower() == "idempotency-key", address
        key = {"Idempotency-Key": f"once.{address.rpartition('/')[2]}"}
        first, again = (client.post(address, json=sent, headers=key) for _ in range(2))
        assert first.status_code == again.status_code == 201, (address, first.text)
        parts = [{k: v for k, v in a.json().items() if k not in ("confidence", "suggestion", "warnings")} for a in
                 (first, again)]  # fmt: skip
        assert parts[0] == parts[1], address
        assert problem(client.post(address, json=other, headers=key), 422)["title"].startswith("The idempotency key")
    assert client.get("/api/v1/installations").json()["total"] == 2
    history = client.get(f"{at}/history").json()["entries"]
    assert [len(e["corrections"]) for e in history] == [1, 0, 0, 0]
    assert len(client.get(f"{at}/notes").json()) == 1


def test_a_parcel_is_unpacked_once(client: Client, at: str) -> None:
    """And another one under its id is refused."""
    parcel = client.get(f"{at}/export").json()
    key = {"Idempotency-Key": "a-parcel-once"}
    numbers = {client.post("/api/v1/installations/import", json=parcel, headers=key).json()["id"] for _ in range(2)}
    assert len(numbers) == 1
    client.post(f"{at}/notes", json={"text": "more"})
    other = client.get(f"{at}/export").json()
    problem(client.post("/api/v1/installations/import", json=other, headers=key), 422)


def test_in_flight(folder: Path) -> None:
    """While the first is still being worked on, the second is told to wait; afterwards it is answered as the first."""
    begun, go_on = threading.Event(), threading.Event()

    class Slow(StandIn):
        def learn(self, *args: Any, **rest: Any) -> Any:
            begun.set()
            assert go_on.wait(30)
            return super().learn(*args, **rest)

    slow = Slow(1)
    with Client(create_app(Settings(data_folder=folder, database_url=""), lambda _seed: slow)) as client:
        at = f"/api/v1/installations/{client.post('/api/v1/installations', json=_NEEDLES).json()['id']}"
        key = {"Idempotency-Key": "slow-but-sure"}
        answers: list[Any] = []
        first = threading.Thread(target=lambda: answers.append(client.post(f"{at}/runs", json=RUN, headers=key)))
        first.start()
        assert begun.wait(30)
        refused = problem(client.post(f"{at}/runs", json=RUN, headers=key), 409)
        assert "still being worked on" in refused["detail"]
        go_on.set()
        first.join(30)
        again = client.post(f"{at}/runs", json=RUN, headers=key)
        assert answers[0].json()["run"] == again.json()["run"]
        assert len(client.get(f"{at}/history").json()["entries"]) == 1
