"""What happens when the sampler or the database fails."""

import gc
import shutil
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import update
from sqlalchemy.exc import OperationalError

from taperwise.api.app import create_app
from taperwise.api.core.database import Answer, Database
from taperwise.api.core.database_file import CURE
from taperwise.api.core.settings import Settings
from tests.api.asking import RUN, Client, problem
from tests.api.conftest import StandIn
from tests.api.everything_on import ON_POSTGRES
from tests.api.web.reading import words


@pytest.mark.parametrize("failure", [RuntimeError("broke"), KeyError("x"), TypeError("x"), MemoryError()])
def test_a_run_is_kept_when_learning_fails(
    client: Client, place: str, stand_in: StandIn, failure: BaseException
) -> None:
    """If no suggestion can be made the run is stored all the same, and the answer says so."""
    stand_in.failure = failure
    answer = client.post(f"{place}/runs", json=RUN)
    assert answer.status_code == 201
    assert answer.json()["suggestion"] is None
    assert answer.json()["confidence"] is None
    assert "no next step could be calculated" in answer.json()["warnings"][0]
    assert len(client.get(f"{place}/history").json()["entries"]) == 1
    stand_in.failure = None
    assert client.get(f"{place}/suggestion").status_code == 200


def test_an_unforeseen_failure_is_told(client: Client, place: str, stand_in: StandIn) -> None:
    """What nobody thought of is a problem document with the number under which the log has more, and no more."""
    stand_in.failure = AssertionError("a secret of the machine")
    answer = client.get(f"{place}/suggestion")
    document = problem(answer, 500)
    assert answer.headers["X-Request-ID"] in document["detail"]
    assert "secret" not in answer.text
    told = problem(client.post(f"{place}/runs", json=RUN), 500)
    assert "Read the log" in told["detail"]
    assert len(client.get(f"{place}/history").json()["entries"]) == 1


def test_what_if_needs_a_posterior_that_can_be_trusted(client: Client, place: str, stand_in: StandIn) -> None:
    """A posterior that did not converge gives no predictions."""
    stand_in.diagnostics = replace(stand_in.diagnostics, converged=False)
    assert "another run" in problem(client.get(f"{place}/whatif?turns=0.125"), 503)["errors"][0]["cure"]


def test_an_answer_kept_by_an_older_release_is_made_anew(client: Client, place: str, stand_in: StandIn) -> None:
    """A kept answer of another shape is no failure."""
    wanted = client.get(f"{place}/suggestion").json()
    database: Database = client.app.state.database  # type: ignore[attr-defined] - as above
    with database.unit() as session:
        session.execute(update(Answer).values(document={"stage": "older"}))
    assert client.get(f"{place}/suggestion").json() == wanted


def test_a_run_is_kept_when_its_answer_cannot_be(client: Client, place: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """If the database fails once the run is stored, the answer does not claim that nothing was."""

    def fails(*_args: object) -> None:
        raise OperationalError("INSERT", {}, Exception("disk"))

    monkeypatch.setattr("taperwise.api.recommendations.repository.put", fails)
    answer = client.post(f"{place}/runs", json=RUN)
    assert answer.status_code == 201
    assert "Saved" in answer.json()["warnings"][0]
    assert len(client.get(f"{place}/history").json()["entries"]) == 1


def test_alive_before_ready(client: Client, stand_in: StandIn) -> None:
    """The service is alive at once, and ready when the sampler is."""
    assert client.get("/healthz").status_code == 200
    assert "getting ready" in problem(client.get("/readyz"), 503)["detail"]
    client.app.state.desk.prepare()  # type: ignore[attr-defined] - the test client hides the application's type
    assert client.get("/readyz").json() == {"status": "ready"}
    assert gc.get_freeze_count() > 0  # collections look through what comes and goes, not through what lasts


def test_not_ready_says_why(client: Client, stand_in: StandIn, monkeypatch: pytest.MonkeyPatch) -> None:
    """A sampler that cannot be compiled is not said to be on its way."""

    def fails(_progress: object) -> None:
        raise OSError("no compiler")

    stand_in.ready = False
    monkeypatch.setattr(stand_in, "prepare", fails)
    with pytest.raises(OSError, match="no compiler"):
        client.app.state.desk.prepare()  # type: ignore[attr-defined] - as above
    assert "could not be made ready (OSError" in problem(client.get("/readyz"), 503)["detail"]


def test_not_ready_without_a_database(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """A database that does not answer is told by readiness, and by every question."""

    def fails(*_args: object, **_more: object) -> None:
        raise OperationalError("SELECT", {}, Exception("disk"))

    monkeypatch.setattr("taperwise.api.core.database.Database.answers", fails)
    monkeypatch.setattr("taperwise.api.installations.repository.page", fails)
    assert "database" in problem(client.get("/readyz"), 503)["detail"]
    assert "Nothing was read" in problem(client.get("/api/v1/installations"), 503)["detail"]
    assert client.get("/healthz").status_code == 200


@pytest.mark.skipif(ON_POSTGRES, reason="about a file")
def test_a_database_file_that_was_replaced_is_noticed(
    settings: Settings, tmp_path: Path, needles: list[dict[str, Any]]
) -> None:
    """Nothing more is read from the file that is gone, or stored in it: 503 with the cure, by health too. Back in its
    place it is used again.
    """
    file, aside = tmp_path / "taperwise.db", tmp_path / "aside.db"
    with Client(create_app(settings, StandIn), raise_server_exceptions=False) as client:
        client.app.state.desk.prepare()  # type: ignore[attr-defined] - the client hides the type
        place = client.post("/api/v1/installations", json={"needles": needles[:1]}).headers["Location"]
        assert client.get("/readyz").status_code == 200
        for replace_it in (lambda: shutil.copy(aside, file), lambda: None):
            file.rename(aside)
            replace_it()
            for answer in (client.get(f"{place}/history"), client.post(f"{place}/runs", json=RUN)):
                told = problem(answer, 503)
                assert (told["title"], told["detail"].split(". ", 1)[1]) == ("The database file was replaced", CURE)
            assert CURE in words(client.get("/installations/1").text)
            assert problem(client.get("/readyz"), 503)["detail"] == CURE
            assert client.get("/healthz").status_code == 200
            aside.rename(file)
            assert client.get(f"{place}/history").json()["entries"] == []
            assert client.get("/readyz").status_code == 200
