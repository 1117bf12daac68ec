"""A first answer from what was learned before, until the one learned in full takes its place."""

from typing import Any

import pytest

from api.belongings.erasure import erase_installation
from api.jobs import waiting
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn
from tests.api.everything_on import sqlite_only
from tests.api.pages.reading import FORM, words
from tests.api.pages.reading import RUN as TYPED


class Soon:
    """Takes on what is to be learned in full, and does it when told to."""

    def __init__(self, state: Any) -> None:
        self._state = state
        self.working = True
        self.asked: list[int] = []

    def ask(self, installation_id: int) -> bool:
        """Remember it."""
        self.asked.append(installation_id)
        return self.working

    def do(self) -> None:
        """Learn all of it."""
        for installation_id in self.asked:
            self._state.desk.answer(self._state.database, installation_id, fully=True)
        self.asked.clear()


@pytest.fixture
def soon(client: Client, stand_in: StandIn) -> Soon:
    """In the worker's place; the model is quick."""
    state: Any = client.app.state  # type: ignore[attr-defined] - the client hides the type
    stand_in.quick = 0.25
    state.desk.afterwards = made = Soon(state)
    return made


def _due(client: Client) -> int:
    state: Any = client.app.state  # type: ignore[attr-defined] # as above
    with state.database.reading() as session:
        return len(waiting.due(session, state.desk.seed))


def test_quick_first_then_in_full(client: Client, place: str, stand_in: StandIn, soon: Soon) -> None:
    """The first answer says what it is and is not stored, so the log waits; then the full one is what all are told."""
    told = client.post(f"{place}/runs", json=RUN).json()
    first = told["suggestion"]
    assert first["quick"]
    assert first["provenance"]["diagnostics"]["k_hat"] == 0.25
    assert told["confidence"] == first["confidence"]
    assert stand_in.learned == 0
    assert (soon.asked, _due(client)) == ([1], 1)
    assert client.get(f"{place}/suggestion").json() == first
    assert soon.asked == [1]  # it was kept, not made again
    soon.do()
    assert (stand_in.learned, _due(client)) == (1, 0)
    full = client.get(f"{place}/suggestion").json()
    assert not full["quick"]
    assert full["provenance"]["diagnostics"]["k_hat"] is None


def test_a_longer_log_is_no_longer_answered_by_it(client: Client, place: str, stand_in: StandIn, soon: Soon) -> None:
    """What was said of a log before is not said of the one after; where no quick answer can be had, the full one is."""
    client.post(f"{place}/runs", json=RUN)
    stand_in.quick = None
    second = client.post(f"{place}/runs", json=RUN).json()["suggestion"]
    assert not second["quick"]
    assert second["confidence"]["runs"] == 2
    assert stand_in.learned == 1
    assert _due(client) == 0


@pytest.mark.parametrize("stopping", [True, False])
def test_never_where_nobody_follows(
    client: Client, place: str, stand_in: StandIn, soon: Soon, *, stopping: bool
) -> None:
    """Where no worker learns it in full afterwards, every answer is learned in full."""
    soon.working = False
    if not stopping:
        client.app.state.desk.afterwards = None  # type: ignore[attr-defined] # as above
    answer = client.post(f"{place}/runs", json=RUN).json()["suggestion"]
    assert not answer["quick"]
    assert stand_in.learned == 1


def test_stopping_meanwhile_leaves_no_quick_answer(
    client: Client, place: str, stand_in: StandIn, soon: Soon, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A worker that stops before it is asked learns nothing: where the full answer fails too, none is left behind."""
    monkeypatch.setattr(soon, "ask", lambda _: False)
    stand_in.failure = ValueError("no")
    assert client.post(f"{place}/runs", json=RUN).json()["suggestion"] is None
    state: Any = client.app.state  # type: ignore[attr-defined] # as above
    assert state.desk.kept(state.database, 1) is None


def test_a_question_that_is_none_is_refused(client: Client, soon: Soon) -> None:
    """The card's own question is a yes or a no."""
    home = client.post("/installations/new", data=FORM, follow_redirects=False).headers["Location"]
    answer = client.get(f"{home}/card?after_quick=perhaps")
    assert answer.status_code == 422
    assert "after_quick" in answer.text


@sqlite_only  # a server gives no number again
@pytest.mark.parametrize("quickly", [True, False])
def test_a_number_given_again_is_another_engine(
    client: Client, needles: list[dict[str, Any]], stand_in: StandIn, soon: Soon, *, quickly: bool
) -> None:
    """What was remembered of an installation that was erased is not told of the next one that gets its number."""
    stand_in.quick = 0.25 if quickly else None
    fitted = []
    for needle in needles[:2]:
        place = client.post("/api/v1/installations", json={"needles": [needle]}).headers["Location"]
        assert place.endswith("/1")
        told = client.post(f"{place}/runs", json=RUN).json()["suggestion"]
        assert told["quick"] is quickly
        fitted.append(client.get(f"{place}/suggestion").json()["confidence"]["position"]["fitted_needle"])
        with client.app.state.database.unit() as session:  # type: ignore[attr-defined] # as above
            erase_installation(session, 1)
    assert fitted == [needle["label"] for needle in needles[:2]]
    assert stand_in.learned == (0 if quickly else 2)


def test_the_real_worker_follows(client: Client, place: str, stand_in: StandIn) -> None:
    """Started, it learns in full what was answered quickly, without being asked by anybody else."""
    state: Any = client.app.state  # type: ignore[attr-defined] # as above
    stand_in.quick = 0.25
    state.worker.start()
    client.post(f"{place}/runs", json=RUN)
    for _ in range(1000):
        if not client.get(f"{place}/suggestion").json()["quick"]:
            break
    assert stand_in.learned == 1
    assert _due(client) == 0


def test_the_card_waits_for_the_careful_answer(client: Client, stand_in: StandIn, soon: Soon) -> None:
    """It says what it shows, asks again without a flicker, and the sheet for the papers never rests on it."""
    home = client.post("/installations/new", data=FORM, follow_redirects=False).headers["Location"]
    client.post(f"{home}/run", data=TYPED, follow_redirects=False)
    page = client.get(home).text
    assert "A first answer , made quickly." in words(page)
    again = f"{home}/card?after_quick=true"
    assert f'hx-get="{again}"' in page
    assert client.get(again).status_code == 204
    learned = stand_in.learned
    assert "quick" not in client.get(f"{home}/sheet").text
    assert stand_in.learned == learned + 1
    after = client.get(again)
    assert after.status_code == 200
    assert "A first answer" not in after.text
    assert "Change nothing; make another run." in after.text
    assert "A first answer" not in client.get(home).text
