"""How long the overview takes with many engines: the page, the file and the call of the API."""

import json
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any

import numpy as np
import typer
from starlette.testclient import TestClient

from taperwise.api.app import create_app
from taperwise.api.core.database import Entry, Installation, Note
from taperwise.api.core.settings import Settings
from taperwise.api.installations.standing import Standing
from taperwise.model import MODEL_VERSION
from tests.api.conftest import StandIn

__all__ = ["measured", "overview"]

_ADDRESSES = ("/desk?rows=1000", "/desk?rows=1000&sort=-name", "/desk.csv", "/api/v1/overview?limit=1000")
_RUN = {
    "air_temperature": {"value": 68, "unit": "degF"},
    "pressure": {"value": 29.2, "unit": "inHg"},
    "idle_quality": "slightly_rich",
}


def overview(
    engines: Annotated[int, typer.Option("--engines", min=1, help="How many engines.")] = 1000,
    rounds: Annotated[int, typer.Option("--rounds", min=1, help="How often each is asked for.")] = 7,
) -> None:
    """Time the overview of many engines, each with up to 13 entries, a note and a result."""
    typer.echo(json.dumps(measured(engines, rounds)))


def measured(engines: int, rounds: int) -> dict[str, Any]:
    """The least wall time and the least processor time of each address [ms], of so many rounds."""
    found: dict[str, Any] = {"engines": engines}
    with TemporaryDirectory() as folder:
        app = create_app(Settings(data_folder=Path(folder), database_url=""), StandIn)
        _fill(app, engines)
        with TestClient(app) as client:
            for address in _ADDRESSES:
                times = [_one(client, address) for _ in range(rounds)]
                found[address] = {
                    "wall_ms": round(min(wall for wall, _ in times), 1),
                    "processor_ms": round(min(used for _, used in times), 1),
                }
    return found


def _one(client: TestClient, address: str) -> tuple[float, float]:
    wall, used = time.perf_counter(), time.process_time()
    assert client.get(address).status_code == 200
    return 1000 * (time.perf_counter() - wall), 1000 * (time.process_time() - used)


def _fill(app: Any, engines: int) -> None:
    rng, now = np.random.default_rng(1), datetime.now(UTC)
    with app.state.database.unit() as session:
        for number in range(1, engines + 1):
            document = {"name": f"engine {number}"}
            session.add(Installation(id=number, created_at=now, document=document, imported=False))
        session.flush()
        for number in range(1, engines + 1):
            entries = int(rng.integers(14))
            for sequence in range(1, entries + 1):
                at = now - timedelta(days=int(rng.integers(4)) + 20 - sequence)
                session.add(
                    Entry(
                        installation_id=number, sequence=sequence, kind="run", happened_at=at, recorded_at=at,
                        document=_RUN,
                    )
                )  # fmt: skip
            session.add(Note(installation_id=number, written_at=now, author="", text="an invented note"))
            session.add(
                Standing(
                    installation_id=number, state=entries, seed=app.state.settings.seed, model_version=MODEL_VERSION,
                    stage=("full_throttle", "idle_mixture", "tuned")[number % 3], chance_both=float(rng.random()),
                    lean_chance=float(rng.random()), doubt=0.0, converged=True, runs=entries, runs_to_finish=4.0,
                    findings=0,
                )
            )  # fmt: skip
