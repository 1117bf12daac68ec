"""The contributor's lists of how to add something: what they name is there, and what they say works."""

import re
from dataclasses import replace
from pathlib import Path
from typing import cast

import numpy as np
import pytest
from fastapi import APIRouter, Response

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.app import create_app
from taperwise.api.core.dependencies import Db
from taperwise.api.core.roles import Rule, requires
from taperwise.api.core.settings import Settings
from taperwise.api.log import service
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page
from taperwise.api.web.routers import ROUTERS
from taperwise.model.diagnosis.fault_detection import fault_probabilities
from taperwise.model.diagnosis.hypotheses import HYPOTHESES, FaultEffect, FaultHypothesis
from taperwise.model.inference.dataset import Position, gather
from taperwise.model.recommender import Recommender
from taperwise.shared.reasons import FaultKind
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, ExhaustRise, RiseSeen, Run
from tests.api.asking import Client
from tests.api.conftest import StandIn

_ROOT = Path(__file__).parents[1]
_WORD = re.compile(r"`([^`]+)`")


def _named() -> list[tuple[str, list[str]]]:
    """Every file of the lists, with the names that follow it up to the next file."""
    text = (_ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## How to add\n")[1].split("\n## ")[0]
    found: list[tuple[str, list[str]]] = []
    for line in re.split(r"\n(?=\d\. |\*|\n)", section.split("*An observation a meter makes*")[1]):
        for word in _WORD.findall(line):
            if "/" in word:
                found.append((word, []))
            elif found and " " not in word and re.match(r"\s*\d\. ", line):
                found[-1][1].append(word)
    return found


def test_what_the_lists_name_is_there() -> None:
    """Every file, and in it or beside it every name given with it."""
    named = _named()
    assert len(named) > 25
    assert sum(len(names) for _, names in named) > 30
    for path, names in named:
        text = (_ROOT / path).read_text(encoding="utf-8")
        for name in names:
            assert re.search(rf"\b{re.escape(name)}\b", text), f"{name} in {path}"


def _in_another_unit(
    case: FaultEffect, before: Position, first: Position, trail: tuple[Position, ...], rng: np.random.Generator
) -> FaultEffect:
    return replace(case, ln_scale=case.ln_scale + np.log(1.8))


def test_a_story_is_a_row(monkeypatch: pytest.MonkeyPatch, recorded: Recommender, installation: Installation) -> None:
    """One that nobody has heard of is asked like the others, is believed where it fits, and not where it does not."""
    toy = FaultHypothesis(cast("FaultKind", "other_unit"), 0.01, lambda before, first: True, _in_another_unit)
    monkeypatch.setattr("taperwise.model.diagnosis.fault_detection.HYPOTHESES", (*HYPOTHESES, toy))
    air = Air(288.15, 101_325.0)

    def told(last: float) -> dict[str, float]:
        runs = [Run(air, rise=ExhaustRise(RiseSeen.PEAK, kelvin)) for kelvin in (60.0, 61.0, 59.0, last, last)]
        fits = [recorded.sampler.fit(gather(installation, runs[:n]), recorded.seed) for n in (3, 4, 5)]
        return {s.kind: s.chance for s in fault_probabilities(fits, gather(installation, runs))}

    wrong, right = told(60.0 * 1.8), told(60.0)
    assert max(wrong, key=lambda kind: wrong[kind]) == "other_unit"
    assert wrong["other_unit"] > 0.5
    assert right["other_unit"] < 0.01
    assert set(wrong) == set(right)


def test_a_page_is_a_router(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """One more router is one more page: served, under its rule."""
    router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")

    @router.get("/toy", **requires(Rule.SEES))
    def toy(installation_id: InstallationId, database: Db) -> Response:
        with database.reading() as session:
            body = service.load(session, installation_id).sent.throttle_body
        return page(
            "before.html",
            number=installation_id,
            name="toy",
            here="/toy",
            heading="A toy",
            checks={},
            body=body,
            stop="",
        )

    monkeypatch.setattr("taperwise.api.app.PAGES", (*ROUTERS, router))
    with Client(create_app(Settings(data_folder=tmp_path, database_url=""), StandIn)) as client:
        needle = {"label": "taper 30.0", "taper_slope": {"value": 30.0, "unit": "mm/m"}}
        client.post("/api/v1/installations", json={"needles": [needle], "fitted_needle": "taper 30.0"})
        shown = client.get("/installations/1/toy")
        assert (shown.status_code, "A toy" in shown.text) == (200, True)
        assert client.get("/installations/2/toy").status_code == 404
