"""The pictures: drawn from the posterior, in the installation's units, to be read without colour and without eyes."""

import base64
import re
from collections.abc import Iterator, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

import pytest

from taperwise.api.app import create_app
from taperwise.api.charts.data import ChartData
from taperwise.api.core.database import Database
from taperwise.api.core.settings import Settings
from taperwise.api.exports import sheet
from taperwise.api.files.installation import fixture
from taperwise.api.installations import repository as installations
from taperwise.api.library.tables import sweeps_frame
from taperwise.api.log import service
from taperwise.api.recommendations import repository
from taperwise.model.inference.earlier_fits import key_of
from taperwise.model.inference.engine_prior import EXPERT
from taperwise.model.inference.posterior_cache import Log
from taperwise.model.recommender import LookedBack, Recommender
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, IdleQuality, Run
from tests.api.asking import AIR, Client
from tests.api.web.reading import words

_NAMES = ("target", "travel", "runs", "growth", "fan")


@pytest.fixture(scope="module")
def tuned(recorded: Recommender, tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Client, str]]:
    """A real service with two runs, the second after a turn, the third from a trace; and the address of its pages."""
    settings = Settings(data_folder=tmp_path_factory.mktemp("pictures"), database_url="")
    with Client(create_app(settings, lambda _seed: recorded)) as client:
        needles = [{"label": f"n{s}", "taper_slope": {"value": s, "unit": "mm/m"}} for s in (29.4, 30, 30.6)]
        made = client.post("/api/v1/installations", json={"needles": needles, "fitted_needle": "n30"})
        place = made.headers["Location"]
        rise = {"egt_rise": {"seen": "peak", "rise": {"value": 160, "unit": "delta_degF"}}, "idle_quality": 4}
        client.post(f"{place}/runs", json=AIR | rise)
        client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": -0.25})
        client.post(f"{place}/runs", json=AIR | {"egt_rise": {"seen": "fell_at_once"}})
        trace = {"csv": fixture("sweep.csv").read_text(encoding="utf-8")}
        assert client.post(f"{place}/runs", json=AIR | {"trace": trace}).status_code == 201
        yield client, place.removeprefix("/api/v1")


def _page(client: Client, address: str) -> str:
    """The page, once it has something to show."""
    for _ in range(60):
        text = client.get(address).text
        if "Looking back" not in text and "getting ready" not in text:
            return text
    pytest.fail("the pictures never came")


def _svgs(text: str) -> list[str]:
    """The pictures that stand in a page."""
    kept = re.findall(r'<img src="data:image/svg\+xml;base64,([^"]+)"', text)
    return [base64.b64decode(each).decode() for each in kept]


def _drawn(client: Client, home: str) -> dict[str, str]:
    """All pictures of an engine by name, and those of its fourth entry's sweep."""
    found = dict(zip(_NAMES, _svgs(_page(client, f"{home}/pictures")), strict=True))
    return found | dict(zip(["sweep"], _svgs(client.get(f"{home}/sweeps/4").text), strict=True))


def test_every_picture_has_its_sentence_and_its_figures(tuned: tuple[Client, str]) -> None:
    """Beside each picture stands what is to be seen in it, and the table it was drawn from."""
    client, home = tuned
    page = _page(client, f"{home}/pictures")
    said = re.findall(r'<img src="data:image/svg[^"]+" alt="([^"]+)"', page)
    assert len(said) == len(_svgs(page)) == len(_NAMES)
    assert all(len(each) > 60 for each in said)
    assert page.count("<table>") == len(_NAMES)
    told = words(page)
    assert "160 °F" in told
    assert "fell at once" in told
    assert f"{home}/sweeps/4" in page


@pytest.mark.parametrize("name", _NAMES)
def test_a_picture_needs_no_colour_and_nobody_else(tuned: tuple[Client, str], name: str) -> None:
    """Every colour is a grey, it has a title and units, and it loads nothing."""
    client, home = tuned
    svg = _drawn(client, home)[name]
    colours = set(re.findall(r"#([0-9a-fA-F]{3,6})\b", svg))
    assert colours
    for colour in colours:
        size = len(colour) // 3
        assert len({colour[i * size : (i + 1) * size].lower() for i in range(3)}) == 1, colour
    assert not set(re.findall(r'(?:fill|stroke)="([a-z]+)"', svg)) - {"none", "white", "black", "transparent"}
    assert not re.search(r'(href|src)="(?!#)', svg)
    assert "<script" not in svg
    titles = {"target": "turns", "travel": "[mm]", "runs": "[°F]", "growth": "[%]", "fan": "[ft]"}
    assert titles[name] in svg


def test_a_sweep_is_shown_with_its_reading(tuned: tuple[Client, str]) -> None:
    """The leanest cylinder, its rise and the others; an entry without a trace has none."""
    client, home = tuned
    told = words(client.get(f"{home}/sweeps/4").text)
    assert "EGT 3 is the leanest, and counts" in told
    assert "EGT 4 differs from the other cylinders" in told
    read = sweeps_frame(fixture("sweep.csv")).iloc[0]["cylinders.EGT 3.rise_kelvin"]
    assert f"peak, rise {1.8 * read:.0f} °F" in _drawn(client, home)["sweep"]
    assert client.get(f"{home}/sweeps/1").status_code == 404


def test_units_change_every_picture(tuned: tuple[Client, str]) -> None:
    """After a change of units titles, figures and sentences are in the new ones."""
    client, home = tuned
    units: dict[str, Any] = {
        "temperature": "degC", "temperature_rise": "delta_degC", "exhaust_temperature": "degC", "elevation": "m",
        "length": "in", "taper": "percent", "pressure": "hPa", "head_temperature": "degC", "fuel_flow": "l/h",
        "volume": "litre",
    }  # fmt: skip
    client.post(f"{home}/settings", data=units)
    svgs = _drawn(client, home)
    for name, sign in {"target": "[%", "travel": "[in]", "runs": "[°C]", "fan": "[m]", "sweep": "[°C]"}.items():
        assert sign in svgs[name], name
    page = words(_page(client, f"{home}/pictures"))
    for old in ("°F", " ft", "mm"):
        assert old not in page
        assert all(old not in svg for svg in svgs.values())
    entries = client.get(f"/api/v1{home}/history").json()["entries"]
    kelvin = next(e["run"]["egt_rise"]["rise"]["value"] for e in entries if e["sequence"] == 4)
    assert f"rise {kelvin:.0f} °C" in svgs["sweep"]


def test_a_run_is_looked_back_on_once(
    tuned: tuple[Client, str], recorded: Recommender, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was foretold of earlier runs is kept: one more run costs one fit, for its answer and all pictures, and a
    service that has nothing in memory costs the one of the log as it is.
    """
    client, home = tuned
    _page(client, f"{home}/pictures")
    fitted = []
    fit = recorded.sampler.fit
    monkeypatch.setattr(recorded.sampler, "fit", lambda *asked: fitted.append(asked) or fit(*asked))
    client.post(f"/api/v1{home}/runs", json=AIR | {"idle_quality": 3})
    assert len(fitted) == 1
    seen = _svgs(_page(client, f"{home}/pictures"))
    assert len(fitted) == 1
    another = Recommender(recorded.seed)
    another.sampler = recorded.sampler
    monkeypatch.setattr(client.app.state.desk, "_adviser", another)  # type: ignore[attr-defined]
    assert _svgs(_page(client, f"{home}/pictures")) == seen
    assert len(fitted) == 2


def test_before_the_first_run(tuned: tuple[Client, str]) -> None:
    """Without any run the prior itself can be looked at."""
    client, _ = tuned
    needle = {"label": "a", "taper_slope": {"value": 30, "unit": "mm/m"}}
    home = client.post("/api/v1/installations", json={"needles": [needle]}).headers["Location"].removeprefix("/api/v1")
    page = _page(client, f"{home}/pictures")
    assert page.count("<img") == 3


def test_the_sheet_shows_what_the_runs_showed(tuned: tuple[Client, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """On paper and on the page two pictures stand in the sheet, with their words; a later run draws them anew."""
    client, home = tuned
    printed = []

    def as_pdf(text: str) -> bytes:
        printed.append(text)
        return sheet.as_pdf(text)

    monkeypatch.setattr("taperwise.api.web.papers.as_pdf", as_pdf)
    assert client.get(f"{home}/sheet.pdf").content.startswith(b"%PDF-")
    assert len(_svgs(printed[0])) == 2
    assert "in the range predicted for 9 in 10" in words(printed[0])
    shown = client.get(f"{home}/sheet").text
    assert len(re.findall(r'<img src="[^"]+" alt="[^"]{30,}"', shown)) == 2
    assert _svgs(shown) == _svgs(printed[0])
    client.post(f"/api/v1{home}/runs", json=AIR | {"idle_quality": 3})
    assert not set(_svgs(client.get(f"{home}/sheet").text)) & set(_svgs(shown))


def test_runs_are_looked_back_on_from_the_prior_they_had(
    database: Database, installation: Installation, air: Air
) -> None:
    """What was foretold of a run rests on the prior its installation started from; each part of a log is asked once."""
    asked = []

    def look_back(log: service.Log, entries: int, kept: Mapping[str, bytes]) -> Any:
        asked.append((entries, log.prior, dict(kept)))
        return LookedBack(SimpleNamespace(diagnostics=SimpleNamespace(converged=False)), {"both": 0.5}, {})  # type: ignore[arg-type]

    desk: Any = SimpleNamespace(look_back=look_back, seed=7)  # all that it asks of a desk here
    gallery = ChartData(desk, database)
    entries = (Run(air, idle_quality=IdleQuality.SMOOTH), Run(air, idle_quality=IdleQuality.SLIGHTLY_LEAN))
    pooled = replace(EXPERT, centre=tuple(0.5 for _ in EXPERT.centre))
    key = key_of(Log(installation, entries[:1], pooled), 7)
    with database.unit() as session:
        installations.add(session, {}, datetime(2026, 5, 17, tzinfo=UTC))
    with database.unit() as session:
        repository.keep_earlier_fits(session, 1, {key: b"draws"}, (), most=9)
    for prior, kept in ((EXPERT, {}), (pooled, {key: b"draws"})):
        log = service.Log(1, None, installation, entries, 2, prior)  # type: ignore[arg-type] - nothing here asks for it
        assert [(each.number, each.chances) for each in gallery.looked_back(log)] == [
            (n, {"both": 0.5}) for n in (1, 2)
        ]
        assert asked == [(n, prior, kept) for n in (0, 1, 2)]
        asked.clear()
