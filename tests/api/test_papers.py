"""Parcel, table, sheet and draws: exact, whole or refused, and in the installation's units."""

import base64
import copy
import csv
import hashlib
import io
import json
import threading
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from taperwise.api.charts.data import ChartData
from taperwise.api.exports.archive import Contents, sealed
from taperwise.api.files.installation import fixture
from taperwise.api.installations.prior import prior_from_document, prior_of, prior_row
from taperwise.api.log import service
from taperwise.api.pooling.release import release
from taperwise.model import MODEL_VERSION
from taperwise.model.population.predictive_prior import ODD_SHARE
from taperwise.model.recommender import Recommender
from taperwise.shared.errors import NotConvergedError
from tests.api.asking import AIR, RUN, Client, problem
from tests.api.conftest import StandIn
from tests.api.pooling import NEEDLES, contributed, quick_fit
from tests.api.web.reading import words

_HOME = "/api/v1/installations"


@pytest.fixture
def full(client: Client, needles: list[dict[str, Any]]) -> str:
    """An installation with one of everything: runs, a trace, adjustments, corrections, a void, a note."""
    body = {
        "needles": needles,
        "fitted_needle": "taper 30.0",
        "name": "Öl “é”",
        "elevation": {"value": 650, "unit": "ft"},
        "throttle_body": {"lean_direction": "clockwise"},
    }
    place = str(client.post(_HOME, json=body).headers["Location"])
    run = RUN | {"note": "=1+1", "time": "2026-05-01T10:30:00.123456+02:00"}
    client.post(f"{place}/runs", json=run)
    trace = {"csv": fixture("sweep.csv").read_text(encoding="utf-8"), "mapping": {"egt": ["EGT 3 (degF)"]}}
    assert client.post(f"{place}/runs", json=AIR | {"trace": trace}).status_code == 201
    client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": -0.125})
    client.post(f"{place}/adjustments", json={"kind": "turn_screw", "turns": 0.5})
    client.post(f"{place}/adjustments", json={"kind": "change_needle", "needle": "taper 30.6", "turns_from_mark": 0.25})
    client.post(f"{place}/acknowledgements", json={"cause": "a loose baffle"})
    client.post(f"{place}/runs", json=AIR | {"egt_rise": {"seen": "fell_at_once"}, "idle_quality": 2})
    client.post(f"{place}/entries/1/corrections", json={"reason": "mistyped", "run": RUN | {"idle_quality": 4}})
    client.post(f"{place}/entries/1/corrections", json={"reason": "again", "run": RUN | {"idle_quality": 3}})
    client.post(f"{place}/entries/4/corrections", json={"reason": "never made", "void": True})
    client.post(f"{place}/notes", json={"text": "look\nat the gasket"})
    return place


def test_the_round_trip_is_exact(client: Client, full: str) -> None:
    """What is unpacked packs to the very same parcel, shows the same history and is learned as the same log."""
    packed = client.get(f"{full}/export").json()
    assert packed["entries"] == 7
    made = client.post(f"{_HOME}/import", json=json.loads(json.dumps(packed)))
    assert made.status_code == 201, made.text
    there = made.headers["Location"]
    assert there != full
    assert client.get(f"{there}/export").json() == packed

    def history(place: str) -> Any:
        found = client.get(f"{place}/history").json()
        return [{n: v for n, v in e.items() if n != "id"} for e in found["entries"]], found["position"]

    assert history(there) == history(full)
    assert client.get(f"{there}/notes").json()["notes"][0]["text"] == "look\nat the gasket"
    page = client.get(f"{full.removeprefix('/api/v1')}/export.json")
    assert page.json() == packed


def _cut(packed: dict[str, Any]) -> dict[str, Any]:
    packed["contents"]["entries"].pop()
    return packed


def _cut_and_counted(packed: dict[str, Any]) -> dict[str, Any]:
    packed["entries"] -= 1
    return _cut(packed)


def _changed(packed: dict[str, Any]) -> dict[str, Any]:
    packed["contents"]["entries"][2]["document"]["turns"] = -0.25
    return packed


def _note_lost(packed: dict[str, Any]) -> dict[str, Any]:
    packed["contents"]["notes"] = []
    return packed


@pytest.mark.parametrize(
    ("spoil", "field"), [(_cut, "entries"), (_cut_and_counted, "seal"), (_changed, "seal"), (_note_lost, "seal")]
)
def test_a_parcel_that_is_not_whole_is_refused(client: Client, full: str, spoil: Any, field: str) -> None:
    """Entries lost, counted or not, figures changed, notes lost: it is said, and nothing is stored."""
    packed = client.get(f"{full}/export").json()
    before = client.get(_HOME).json()["total"]
    told = problem(client.post(f"{_HOME}/import", json=spoil(copy.deepcopy(packed))), 422)
    assert told["errors"][0]["field"] == field
    assert client.get(_HOME).json()["total"] == before


def test_a_file_cut_anywhere_is_refused(client: Client, full: str) -> None:
    """Wherever the file ends too soon, the page says so and stores nothing; the whole file is taken."""
    whole = client.get(f"{full.removeprefix('/api/v1')}/export.json").content
    before = client.get(_HOME).json()["total"]
    for share in (0.0, 0.3, 0.7, 0.999):
        part = whole[: int(len(whole) * share)]
        answer = client.post("/installations/import", files={"file": ("x.json", part, "application/json")})
        assert answer.status_code == 422
        assert "not a whole export file" in words(answer.text)
    assert client.get(_HOME).json()["total"] == before
    answer = client.post(
        "/installations/import", files={"file": ("x.json", whole, "application/json")}, follow_redirects=False
    )
    assert answer.status_code == 303
    assert client.get(f"/api/v1{answer.headers['Location']}/export").json()["entries"] == 7


def test_a_sealed_parcel_is_checked_all_the_same(client: Client, full: str) -> None:
    """A seal proves that nothing was lost, not that it is plausible: the service's own checks come after it."""
    packed = client.get(f"{full}/export").json()

    def resealed(change: Any) -> Any:
        contents = copy.deepcopy(packed["contents"])
        change(contents)
        return sealed(Contents.model_validate(contents)).model_dump(mode="json")

    def hot(c: Any) -> None:
        c["entries"][0]["document"]["air_temperature"]["value"] = 4000

    def backwards(c: Any) -> None:
        c["entries"][3]["happened_at"] = "2001-01-01T00:00:00Z"

    def unknown_needle(c: Any) -> None:
        c["entries"][4]["document"]["needle"] = "nobody's"

    def no_needles(c: Any) -> None:
        c["installation"]["needles"] = []

    for change, field in (
        (hot, "contents.entries.0.document.air_temperature"),
        (backwards, "contents.entries.3.happened_at"),
        (unknown_needle, "needle"),
        (no_needles, "contents.installation.needles"),
    ):
        told = problem(client.post(f"{_HOME}/import", json=resealed(change)), 422)
        assert told["errors"][0]["field"] == field


def _table(client: Client, place: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(client.get(f"{place}/table").text)))


def test_the_table_says_how_long_it_is(client: Client, full: str) -> None:
    """One row an entry, what holds now of each, positions followed, no formulas; every row tells how many there are."""
    rows = _table(client, full)
    assert len(rows) == 7
    assert {row["rows in all"] for row in rows} == {"7"}
    assert [r["state"] for r in rows] == ["corrected", *["as recorded"] * 2, "voided", *["as recorded"] * 3]
    assert rows[0]["idle"] == "smooth"
    assert rows[0]["EGT rise [°F]"] == "95.0"
    assert [r["holder from mark [turns, + richer]"] for r in rows] == ["0.0", "0.0", *["-0.125"] * 2, *["0.25"] * 3]
    assert rows[6]["needle"] == "taper 30.6"
    assert rows[6]["EGT seen"] == "fell_at_once"
    client.post(f"{full}/runs", json=AIR | {"idle_quality": 3, "note": "=HYPERLINK(1)"})
    assert _table(client, full)[7]["note"] == "'=HYPERLINK(1)"


def test_pandas_reads_both_tables(client: Client, full: str) -> None:
    """CSV and Parquet come to the same seven rows; count and digest beside them are those of the file."""
    import pandas as pd

    for form, read in (("csv", pd.read_csv), ("parquet", pd.read_parquet)):
        answer = client.get(f"{full}/table", params={"format": form})
        assert answer.headers["Row-Count"] == "7"
        digest = base64.b64encode(hashlib.sha256(answer.content).digest()).decode()
        assert answer.headers["Repr-Digest"] == f"sha-256=:{digest}:"
        frame = read(io.BytesIO(answer.content))
        assert list(frame["entry"]) == list(range(1, 8))
        assert frame["EGT rise [°F]"].dtype == "float64"
        assert frame["EGT rise [°F]"].iloc[0] == 95.0
    assert str(frame["time"].dtype).startswith("datetime64")
    assert problem(client.get(f"{full}/table?format=xlsx"), 422)["errors"][0]["field"] == "format"


def test_units_change_table_and_sheet(client: Client, full: str) -> None:
    """Headings and figures of the table, words of the sheet and of its PDF follow the units."""
    home = full.removeprefix("/api/v1")
    assert "°F" in words(client.get(f"{home}/sheet").text)
    units = {"temperature": "degC", "temperature_rise": "delta_degC", "pressure": "hPa", "taper": "percent"}
    client.put(f"{full}/units", json=units | {"exhaust_temperature": "degC"})
    rows = _table(client, full)
    assert rows[0]["EGT rise [°C]"] == "52.7778"
    assert rows[0]["air temperature [°C]"] == "20.0"
    sheet = words(client.get(f"{home}/sheet").text)
    assert "°F" not in sheet
    assert "EGT rise 52.8 °C" in sheet
    assert "taper slope 3.06 %" in sheet
    assert client.get(f"{full}/export").json()["contents"]["installation"]["units"]["taper"] == "percent"


def test_the_sheet_holds_what_the_papers_need(client: Client, full: str) -> None:
    """Needle, screw, idle stop, every entry, confidence, cautions, blank lines to sign, and that it is not tuned."""
    sheet = words(client.get(f"{full.removeprefix('/api/v1')}/sheet").text)
    for text in (
        "Not tuned: the tuning stands at full throttle", "taper 30.6, taper slope 30.6 mm/m",
        "1/4 turn richer than the mark (1/4 turn counter-clockwise)", "Both mixtures in target 30 %",
        "Needle holder 1/8 turn leaner", "(voided)", "(corrected)", "Cause: a loose baffle", "7 entries.",
        "Checked by the responsible person", "mixture settings in flight.", "it releases nothing for flight",
    ):  # fmt: skip
        assert text.replace(" ", " ") in sheet.replace(" ", " "), text


def test_the_sheet_is_printed_as_pdf(client: Client, full: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A PDF of a page or two, made without loading anything, and without pictures where the runs do not add up."""
    monkeypatch.setattr(ChartData, "portraits", lambda *_: SimpleNamespace(runs=(1,), converged=False))
    answer = client.get(f"{full.removeprefix('/api/v1')}/sheet.pdf")
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "application/pdf"
    assert answer.content.startswith(b"%PDF-")
    assert answer.content.rstrip().endswith(b"%%EOF")


def test_the_sheet_does_not_hang_on_its_pictures(client: Client, full: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where they cannot be made, or were made of the log as it was before, it is printed without; else with them."""
    home = full.removeprefix("/api/v1")
    asked: list[int] = []
    shown: list[list[Any]] = []
    monkeypatch.setattr(
        "taperwise.api.web.papers.fragment", lambda _name, **context: shown.append(context["pictures"]) or "<p>"
    )
    monkeypatch.setattr("taperwise.api.charts.registry.on_paper", lambda portraits, _log: [portraits])

    def fails(_gallery: ChartData, log: service.Log) -> Any:
        asked.append(log.state)
        raise NotConvergedError("no", cure="Wait.")

    monkeypatch.setattr(ChartData, "portraits", fails)
    assert client.get(f"{home}/sheet.pdf").status_code == 200
    assert shown == [[]]
    assert asked

    go_on = threading.Event()

    def slow(_gallery: ChartData, log: service.Log) -> Any:
        assert go_on.wait(30)
        return f"of {log.state}"

    monkeypatch.setattr(ChartData, "portraits", slow)
    patience = client.app.state.desk.patience  # type: ignore[attr-defined] - the client hides the type
    before, long = asked[0], patience.seconds
    patience.seconds = 0.0
    told = client.get(f"{home}/sheet.pdf")
    assert (told.status_code, told.headers["Refresh"], told.headers["Retry-After"]) == (503, "3", "3")
    assert "The pictures of the tuning sheet are being drawn." in words(told.text)
    patience.seconds = long
    assert client.post(f"{full}/runs", json=RUN).status_code == 201  # the other ones are still being made
    go_on.set()
    assert client.get(f"{home}/sheet.pdf").status_code == 200
    assert shown[1] == [f"of {before + 1}"]


@pytest.mark.parametrize("path", ["export", "table", "draws"])
def test_what_is_not_there_has_no_papers(client: Client, path: str) -> None:
    """Told as everywhere."""
    problem(client.get(f"{_HOME}/99/{path}"), 404)


def test_the_draws_are_those_of_the_posterior(
    real_client: Client, recommender: Recommender, needles: list[dict[str, Any]], tmp_path: Path
) -> None:
    """Opened with ArviZ, the file holds chains and draws whose mean is that of the answer's own posterior."""
    import arviz_base
    import xarray as xr

    place = real_client.post(_HOME, json={"needles": needles, "fitted_needle": "taper 30.0"}).headers["Location"]
    real_client.post(f"{place}/runs", json=RUN)
    answer = real_client.get(f"{place}/draws")
    assert answer.headers["content-type"] == "application/x-netcdf"
    path = tmp_path / "p.nc"
    path.write_bytes(answer.content)
    opened = xr.open_datatree(path, engine="h5netcdf")
    found = opened["posterior"].to_dataset()
    diagnostics = real_client.get(f"{place}/suggestion").json()["provenance"]["diagnostics"]
    assert dict(found["offset"].sizes) == {"chain": diagnostics["chains"], "draw": diagnostics["draws"]}
    assert found["first"].dims == ("chain", "draw", "change")
    assert found["exhaust_scale"].attrs["units"] == "K per phi/phi_peak"
    assert opened.attrs["model_version"] == MODEL_VERSION
    assert {"sample_stats", "prior", "observed_data", "log_likelihood", "posterior_predictive"} <= set(opened.children)
    state: Any = real_client.app.state  # type: ignore[attr-defined] - the client hides the type
    with state.database.reading() as session:
        log = service.load(session, 1)
    kept = recommender.fit(log.installation, log.entries).unknowns
    assert np.array_equal(found["ln_full"].values.reshape(-1), kept.ln_full[:, 0])
    assert arviz_base.extract(opened, var_names=["offset"]).size == kept.offset.size
    opened.close()


def test_the_prior_it_started_from_travels(client: Client, stand_in: StandIn) -> None:
    """Elsewhere the engine starts from the very same; what is no prior is refused."""
    for i in range(6):
        contributed(client, stand_in, (1.0, 0.1 * i))
    database = client.app.state.database  # type: ignore[attr-defined] # the client hides the application's type
    release(database, 5, datetime(2026, 5, 17, tzinfo=UTC), quick_fit)
    place = client.post("/api/v1/installations", json={"needles": NEEDLES}).headers["Location"]
    chosen = client.post(f"{place}/prior", json={"prior": "pool"}).json()
    assert chosen["prior"] == "pool"
    parcel = client.get(f"{place}/export").json()
    new = client.post("/api/v1/installations/import", json=parcel).headers["Location"]
    assert client.get(f"{new}/start").json() == client.get(f"{place}/start").json()
    with database.reading() as session:
        old, kept = (prior_row(session, int(at.rpartition("/")[2])) for at in (place, new))
    assert old is not None
    assert kept is not None
    assert (kept.version, kept.document) == (old.version, old.document)
    assert prior_of(kept).odd == ODD_SHARE
    assert prior_from_document({k: v for k, v in kept.document.items() if k != "odd"}).odd == 0.0  # kept before
    for spoilt in ({}, {"centre": [1.0], "root": [[1.0]], "why": "", "rests": {}}, kept.document | {"odd": 1.0}):
        contents = Contents.model_validate(parcel["contents"] | {"prior": {"version": 1, "document": spoilt}})
        told = problem(client.post("/api/v1/installations/import", json=sealed(contents).model_dump(mode="json")), 422)
        assert told["errors"][0]["field"] == "contents.prior.document"
