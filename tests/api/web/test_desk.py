"""The adviser's desk and notes."""

import re
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from taperwise.api.schemas.recommendation import SuggestionOut
from taperwise.api.web.adviser import attention
from tests.api.asking import Client, problem
from tests.api.web.reading import FORM, RUN, fields, words

_NOW = datetime(2026, 5, 10, tzinfo=UTC)


@pytest.fixture
def kept(client: Client, home: str) -> SuggestionOut:
    """An answer as it is kept."""
    return SuggestionOut.model_validate(client.get(f"/api/v1{home}/suggestion").json())


def _with(kept: SuggestionOut, **changes: Any) -> SuggestionOut:
    document = kept.model_dump()
    for path, value in changes.items():
        *above, last = path.split("__")
        place = document
        for name in above:
            place = place[name]
        place[last] = value
    return SuggestionOut.model_validate(document)


def test_what_needs_attention_is_named(kept: SuggestionOut) -> None:
    """A limit exceeded, a suspicion, a dead end, readings that contradict, a long wait; a tuned one may rest."""
    yesterday, long_ago = _NOW - timedelta(days=1), _NOW - timedelta(days=30)
    assert attention(kept, yesterday, _NOW) == ()
    assert attention(None, None, _NOW) == ("no entry yet",)
    assert attention(kept, long_ago, _NOW) == ("waiting for 30 days",)
    assert attention(_with(kept, stage="tuned"), long_ago, _NOW) == ()
    for cause, said in (
        ("limit_exceeded", "limit exceeded"),
        ("not_as_foretold", "possible fault"),
        ("no_needle_fits", "stuck: no suitable needle"),
        ("not_to_be_settled", "stuck: more runs would not help"),
    ):
        assert attention(_with(kept, action__cause=cause), yesterday, _NOW) == (said,)
    assert attention(_with(kept, confidence__doubt=0.3), yesterday, _NOW) == ("something may be wrong (30%)",)
    wrong = _with(kept, provenance__diagnostics__converged=False)
    assert attention(wrong, yesterday, _NOW) == ("readings that contradict each other",)


def test_the_desk_shows_all_what_needs_attention_first(client: Client) -> None:
    """Those with something to look at stand before the others, with what it is."""
    assert "No installation is set up yet" in client.get("/desk").text
    homes = [
        client.post("/installations/new", data=FORM | {"name": name}, follow_redirects=False).headers["Location"]
        for name in ("untouched", "running")
    ]
    client.post(f"{homes[1]}/run", data=RUN)
    told = words(client.get("/desk").text)
    assert told.index("untouched") < told.index("running")
    assert "2 installations, 1 in need of attention" in told
    assert "no entry yet" in told
    assert "Change nothing. Make another run at this setting." in told


@pytest.mark.parametrize("address", ["/desk", "/installations"])
def test_many_are_found_and_leafed_through(client: Client, address: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """By part of the name, letters large or small, by number; or leaf by leaf, each installation on one of them."""
    monkeypatch.setattr("taperwise.api.web.pagination.ON_A_LEAF", 2)
    for name in ("Red 100% wing", "blue wing", "Red tail", "", "Über green"):
        client.post("/installations/new", data=FORM | {"name": name}, follow_redirects=False)

    def shown(question: str) -> list[str]:
        return sorted(re.findall(r'<li><a href="/installations/(\d+)"', client.get(address + question).text))

    assert shown("") == ["4", "5"]
    assert shown("?leaf=2") == ["2", "3"]
    assert shown("?leaf=3") == ["1"]
    older = re.findall(r'href="(\?leaf=\d+)">(\w+)<', client.get(f"{address}?leaf=2").text)
    assert older == [("?leaf=1", "Newer"), ("?leaf=3", "Older")]
    assert shown("?name=RED") == ["1", "3"]
    assert shown("?name=%25") == ["1"]  # a sign that a database might take for any text
    assert shown("?name=4") == shown("?name=Installation 4") == ["4"]
    assert shown("?name=über") == shown("?name=ÜBER") == ["5"]
    assert shown("?name=nobody") == []
    assert "by the name or number “&lt;i&gt;”" in client.get(f"{address}?name=%3Ci%3E").text
    assert "Nothing here" in words(client.get(f"{address}?leaf=9").text)
    assert client.get(f"{address}?leaf=0").status_code == 422
    assert client.get(f"{address}?name=%00").status_code == 422
    found = client.get("/api/v1/installations?name=wing").json()
    assert [each["id"] for each in found["installations"]] == [2, 1]
    assert found["total"] == 2


def test_a_note_is_left_and_read(client: Client, home: str) -> None:
    """From the page or through the API; it is shown as it was typed, harmless, and counted on the desk."""
    client.post(f"{home}/notes", data={"text": "<b>gasket</b>\nfirst", "author": "the adviser"})
    page = client.get(home).text
    assert "&lt;b&gt;gasket&lt;/b&gt;\nfirst" in page
    client.post(f"/api/v1{home}/notes", json={"text": "again"})
    assert [n["text"] for n in client.get(f"/api/v1{home}/notes").json()] == ["again", "<b>gasket</b>\nfirst"]
    assert "2 notes" in words(client.get("/desk").text)
    assert client.post(f"{home}/notes", data={"text": ""}).status_code == 422
    again = client.post(f"{home}/notes", data={"text": "look there" + "!" * 2000, "author": "me"})
    assert again.status_code == 422
    assert "look there!" in again.text
    assert fields(again.text)["author"] == "me"
    problem(client.post("/api/v1/installations/99/notes", json={"text": "x"}), 404)
    problem(client.get("/api/v1/installations/99/notes"), 404)


def test_units_are_changed_through_the_api_too(client: Client, home: str) -> None:
    """The answer comes in the new units; an unknown one is refused."""
    client.get(f"/api/v1{home}/suggestion")
    changed = client.put(f"/api/v1{home}/units", json={"temperature_rise": "kelvin"})
    assert changed.json()["in_preferred_units"]["targets"]["rise"]["low"]["unit"] == "kelvin"
    assert client.get(f"/api/v1{home}/suggestion").json()["expected"]["egt_rise"]["unit"] == "kelvin"
    problem(client.put(f"/api/v1{home}/units", json={"taper": "furlong"}), 422)
    problem(client.put("/api/v1/installations/99/units", json={}), 404)
