"""A stop: it stands on every page of its engine, and nothing names a direction until the cause is recorded."""

import re
from dataclasses import replace
from typing import Any

import pytest

from taperwise.model.design.limit_check import limit_action
from tests.api.asking import Client
from tests.api.conftest import StandIn
from tests.api.web.reading import FORM, RUN, words

_LIMITED = {**FORM, "watch.rpm.value": "2700", "watch.rpm.unit": "rpm"}
_HOT = RUN | {"static_rpm.value": "2900"}
_PAGES = ("", "/before", "/run", "/adjust", "/history", "/pictures", "/whatif", "/similar", "/settings")


def test_a_stop_stands_on_every_page_until_the_cause_is_recorded(client: Client, stand_in: StandIn) -> None:
    """At once, before any answer: on each page, on both lists; a correction or the cause ends it."""
    home = client.post("/installations/new", data=_LIMITED, follow_redirects=False).headers["Location"]
    client.post(f"{home}/run", data=RUN)
    assert not any("Stop. " in words(client.get(home + page).text) for page in _PAGES)
    client.post(f"{home}/run", data=_HOT)
    for page in _PAGES:
        assert "Stop. Speed reached 2900 rpm, above the limit of 2700 rpm." in words(client.get(home + page).text), page
    assert "Engine limit exceeded" in words(client.get("/installations").text)
    assert "engine limit exceeded" in words(client.get("/desk").text)
    client.post(f"/api/v1{home}/acknowledgements", json={"cause": "the tachometer was wrong"})
    assert not any("Stop. " in words(client.get(home + page).text) for page in _PAGES)
    client.post(f"{home}/run", data=_HOT)
    assert "Stop. " in words(client.get(f"{home}/run").text)
    client.post(f"/api/v1{home}/entries/4/corrections", json={"reason": "typed wrong", "void": True})
    assert "Stop. " not in words(client.get(f"{home}/run").text)
    assert client.get("/api/v1/overview").json()["counts"]["stop"] == 0


def test_an_answer_during_a_stop_holds_no_direction(
    client: Client, stand_in: StandIn, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Neither turns to target nor a better needle, no other steps; the sheet's verdict is the stop."""
    repeat = stand_in.suggest

    def stopped(learned: Any) -> Any:
        found = limit_action(learned.posterior.evidence)
        assert found is not None
        return replace(repeat(learned), action=found, alternatives=())

    monkeypatch.setattr(stand_in, "suggest", stopped)
    home = client.post("/installations/new", data=_LIMITED, follow_redirects=False).headers["Location"]
    client.post(f"{home}/run", data=_HOT)
    told = client.get(f"/api/v1{home}/suggestion").json()
    assert told["action"]["cause"] == "limit_exceeded"
    assert (told["alternatives"], told["needles"], told["most_informative"]) == ([], [], None)
    assert (told["confidence"]["offset"], told["confidence"]["taper_fit"], told["expect"]) == (None, None, "")
    card = words(client.get(home).text)
    assert "Stop. Speed reached" in card
    assert not re.search(r"\b(turns? (leaner|richer)|steeper|shallower)\b", card), card
    sheet = words(client.get(f"{home}/sheet").text)
    assert "STOP. Speed reached 2900 rpm, above the limit of 2700 rpm." in sheet
    assert "Not tuned" not in sheet
