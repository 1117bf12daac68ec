"""Whole requests to the real application, in this process: a run goes in, posterior and suggestion come out."""

import tempfile
import time
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from fastapi import FastAPI

from taperwise.api.core.database import Database
from taperwise.api.log import service
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.run import RunIn
from taperwise.api.traces.recording import read
from taperwise.model.diagnosis.fault_detection import LATEST
from taperwise.model.recommender import Recommender
from taperwise.shared.errors import InvalidValueError
from tests.benchmarks.histories import Sent

__all__ = ["Update", "WholeService", "exponent_of", "whole_service"]


class Update(NamedTuple):
    """One update, and what came of it.

    Parameters
    ----------
    seconds : float
        From the request to its answer.
    weighed : bool
        Whether candidates were weighed in it (they are not once all is right).
    """

    seconds: float
    weighed: bool


class WholeService:
    """The application behind a client.

    Parameters
    ----------
    app : FastAPI
    client : starlette.testclient.TestClient
    """

    def __init__(self, app: FastAPI, client: Any) -> None:
        self._app, self._client = app, client

    def _post(self, address: str, body: Any) -> Any:
        answer = self._client.post(address, json=body, headers={"Idempotency-Key": uuid.uuid4().hex})
        if answer.status_code != 201:
            raise InvalidValueError(
                "the service refused what the bench sent", field=address, value=answer.text,
                cure="Measure a checkout whose tests pass.",
            )  # fmt: skip
        return answer.json()

    def set_up(self, sent: InstallationIn, log: Sequence[Sent]) -> str:
        """Address of a new installation with that log.

        Its latest runs go through whole requests, so that the fits before them are kept as they would be; those before
        are stored only, for nothing is asked about them any more.
        """
        number = self._post("/api/v1/installations", sent.model_dump(mode="json", exclude_unset=True))["id"]
        runs = [i for i, entry in enumerate(log) if isinstance(entry, RunIn)]
        first_asked = runs[-LATEST - 1] if len(runs) > LATEST else 0
        with self._app.state.database.unit() as session:
            for entry in log[:first_asked]:
                if isinstance(entry, RunIn):
                    service.record_run(session, number, entry, read(entry))
                else:
                    service.record_adjustment(session, number, entry)
        address = f"/api/v1/installations/{number}"
        for entry in log[first_asked:]:
            self._post(f"{address}/{'runs' if isinstance(entry, RunIn) else 'adjustments'}", _body(entry))
        return address

    @property
    def database(self) -> Database:
        """Where it keeps everything."""
        database: Database = self._app.state.database
        return database

    def seconds(self, address: str) -> float:
        """How long a page, or any other address that is read, takes until all of it is there.

        Raises
        ------
        InvalidValueError
            If it is not shown.
        """
        begun = time.perf_counter()
        answer = self._client.get(address)
        taken = time.perf_counter() - begun
        if answer.status_code != 200:
            raise InvalidValueError(
                "the service did not show it", field=address, value=answer.status_code, cure="Read the log."
            )
        return taken

    def entries(self, address: str) -> Any:
        """All entries of an installation, voided ones too, as the service shows them."""
        return self._client.get(f"{address}/history").json()["entries"]

    def update(self, address: str, run: RunIn) -> Update:
        """Record a run and time the answer; then void it, so that the next update finds the log as it was.

        Raises
        ------
        InvalidValueError
            If it is refused, or no suggestion comes with the answer.
        """
        body = _body(run)
        begun = time.perf_counter()
        told = self._post(f"{address}/runs", body)
        seconds = time.perf_counter() - begun
        if told["suggestion"] is None:
            raise InvalidValueError(
                "no suggestion came with the answer", field=address, value=told["warnings"], cure="Read the log."
            )
        there = f"{address}/entries/{told['run']['sequence']}/corrections"
        self._post(there, {"reason": "only measured", "void": True})
        return Update(seconds, bool(told["suggestion"]["alternatives"]))


def _body(entry: Sent) -> Any:
    return entry.model_dump(mode="json", exclude_none=True, exclude_defaults=not hasattr(entry, "kind"))


@contextmanager
def whole_service(recommender: Recommender) -> Iterator[WholeService]:
    """The real application with that adviser and a database of its own."""
    from starlette.testclient import TestClient
    from structlog.testing import capture_logs

    from taperwise.api.app import create_app
    from taperwise.api.core.settings import Settings

    with tempfile.TemporaryDirectory(prefix="taperwise-") as own:
        settings = Settings(data_folder=Path(own), database_url="", access="local", seed=recommender.seed)
        app = create_app(settings, lambda _seed: recommender)
        with TestClient(app) as client, capture_logs():  # the last line is the figures'
            app.state.desk.prepare()  # as `serve` does
            app.state.worker.start()
            yield WholeService(app, client)


def exponent_of(seconds_by_runs: dict[int, float]) -> float | None:
    """Slope of ln(seconds) over ln(runs); None of fewer than two sizes."""
    if len(seconds_by_runs) < 2:
        return None
    runs, seconds = list(seconds_by_runs), list(seconds_by_runs.values())
    return round(float(np.polyfit(np.log(runs), np.log(seconds), 1)[0]), 3)
