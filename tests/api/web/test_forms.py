"""The pages without any script: plain forms, the service's own refusals beside the fields."""

import re
from html import unescape

import pytest

from taperwise.api.app import create_app
from taperwise.api.core.settings import Settings
from taperwise.api.presentation.formatting import with_form_labels
from taperwise.api.web.assets import ASSETS
from tests.api.asking import Client, problem
from tests.api.conftest import StandIn
from tests.api.web.reading import FORM, RUN, fields, words


def test_an_installation_is_set_up_with_one_answer(client: Client) -> None:
    """The form as it comes, with one slope typed, is enough; the defaults are those of the JSON API."""
    form = fields(client.get("/installations/new").text) | {"needles.0.taper_slope.value": "30"}
    form.pop("more_rows", None)
    place = client.post("/installations/new", data=form, follow_redirects=False).headers["Location"]
    made = client.get(f"/api/v1{place}").json()["installation"]
    bare = {"needles": [{"label": "A", "taper_slope": {"value": 30, "unit": "mm/m"}}], "fitted_needle": "A"}
    other = client.post("/api/v1/installations", json=bare).json()["installation"]
    assert made == other


def test_empty_rows_are_no_needles(client: Client) -> None:
    """Rows without a slope are left out, and the needle marked as fitted stays the one that was marked."""
    form = FORM | {
        "needles.2.label": "C",
        "needles.3.label": "D",
        "needles.3.taper_slope.value": "31",
        "fitted_row": "3",
    }
    form |= {"needles.3.taper_slope.unit": "mm/m"}
    place = client.post("/installations/new", data=form, follow_redirects=False).headers["Location"]
    made = client.get(f"/api/v1{place}").json()["installation"]
    assert [n["label"] for n in made["needles"]] == ["A", "B", "D"]
    assert made["fitted_needle"] == "D"


def test_more_rows_keep_what_was_typed(client: Client) -> None:
    """Asking for more rows stores nothing and loses nothing."""
    page = client.post("/installations/new", data=FORM | {"more_rows": "1", "name": "kept"})
    again = fields(page.text)
    assert again["name"] == "kept"
    assert again["needles.0.taper_slope.value"] == "29.4"
    assert "needles.4.taper_slope.value" in again
    assert client.get("/api/v1/installations").json()["total"] == 0


@pytest.mark.parametrize(
    ("name", "value", "field"),
    [
        ("air_temperature.value", "warm", "air_temperature.value"),
        ("air_temperature.value", "400", "air_temperature"),
        ("peak.value", "9000", "egt_rise.rise"),
        ("idle_rpm.value", "12", "idle_rpm"),
    ],
)
def test_a_refusal_is_the_apis_own(client: Client, home: str, name: str, value: str, field: str) -> None:
    """The page says beside the field what the JSON API says of the same entry, and keeps what was typed."""
    form = RUN | {name: value}
    body = {
        "air_temperature": {"value": 68, "unit": "degF"},
        "altimeter_setting": {"value": 29.98, "unit": "inHg"},
        "egt_rise": {"seen": "peak", "rise": {"value": 160, "unit": "delta_degF"}},
        "idle_rpm": {"value": 790, "unit": "rpm"},
    }
    if name == "peak.value":
        body["egt_rise"]["rise"]["value"] = float(value)  # type: ignore[index]
    else:
        number = float(value) if value.isdigit() else value
        body[name.removesuffix(".value")]["value"] = number  # type: ignore[index]
    (told,) = client.post(f"/api/v1{home}/runs", json=body).json()["errors"]
    assert told["field"] == field
    page = client.post(f"{home}/run", data=form)
    assert page.status_code == 422
    beside = re.search(r'<span class="wrong"[^>]*>([^<]*)', page.text)
    assert beside is not None
    assert with_form_labels(told["message"]) in words(beside.group(1))
    kept = fields(page.text)
    assert {n: kept[n] for n in form if n in kept} == {n: v for n, v in form.items() if n in kept}
    assert client.get(f"/api/v1{home}/history").json()["entries"] == []


def test_everything_missing_is_named_at_its_field(client: Client) -> None:
    """Air, pressure, elevation and observation at once, each with a link to its place; nothing else on the page opens,
    and what was typed stays.
    """
    form = {name: text for name, text in FORM.items() if not name.startswith("elevation")}
    home = client.post("/installations/new", data=form, follow_redirects=False).headers["Location"]
    empty = dict.fromkeys(RUN, "") | {"air_temperature.unit": "degF", "air_pressure.unit": "inHg", "note": "cold"}
    page = client.post(f"{home}/run", data=empty)
    assert page.status_code == 422
    summary = page.text[page.text.index("data-problem") :]
    linked = re.findall(r'<a href="#([^"]+)"', summary[: summary.index("</div>")])
    assert linked == ["air_temperature-wrong", "pressure-wrong", "elevation-wrong", "run-wrong"]
    for place in linked:
        assert f'id="{place}"' in page.text
    assert ">cold</textarea>" in page.text
    assert "air_temperature" not in words(page.text)
    assert page.text.count("<details open>") == 0
    field = {"pressure_kind": "pressure", "air_temperature.value": "68", "air_pressure.value": "29.3"}
    assert client.post(f"{home}/run", data=RUN | field, follow_redirects=False).status_code == 303


@pytest.mark.parametrize(
    ("rich", "peak", "rise"), [("1290", "1450", (160.0, "delta_degF")), ("700", "788,5", (88.5, "delta_degC"))]
)
def test_the_rise_is_worked_out(client: Client, home: str, rich: str, peak: str, rise: tuple[float, str]) -> None:
    """The peak less full rich; the peak is watched against the limit, and the wrong way round it is refused."""
    unit = rise[1].removeprefix("delta_")
    typed = {"egt_rich.value": rich, "egt_rich.unit": unit, "egt_peak.value": peak}
    form = RUN | typed | {"peak.value": "", "seen": ""}
    wrong = client.post(f"{home}/run", data=form | {"egt_peak.value": rich})
    assert "The peak is not above full rich" in words(wrong.text)
    half = client.post(f"{home}/run", data=form | {"egt_rich.value": ""})
    assert "The EGT at full rich is missing" in words(half.text)
    assert client.post(f"{home}/run", data=form, follow_redirects=False).status_code == 303
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    assert entry["run"]["egt_rise"]["rise"] == {"value": rise[0], "unit": rise[1]}
    assert entry["run"]["highest"]["egt"] == {"value": float(peak.replace(",", ".")), "unit": unit}


def test_the_rise_of_idle_speed_is_worked_out(client: Client, home: str) -> None:
    """The highest speed on slow leaning less the speed before it."""
    client.post(f"{home}/run", data=RUN | {"idle_leaned.value": "825", "idle_leaned.unit": "rpm"})
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    assert entry["run"]["idle_rpm_rise"] == {"value": 35.0, "unit": "rpm"}


def test_a_run_is_stored_as_it_was_typed(client: Client, home: str) -> None:
    """The stored run is what the JSON API would have stored, units as chosen; a decimal comma is a point."""
    form = RUN | {
        "air_pressure.value": "29,98",
        "note": "oil warm",
        "highest.cht.value": "190",
        "highest.cht.unit": "degC",
    }
    answer = client.post(f"{home}/run", data=form, follow_redirects=False)
    assert (answer.status_code, answer.headers["Location"]) == (303, home)
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    run = {k: v for k, v in entry["run"].items() if v is not None}
    assert run == {
        "note": "oil warm",
        "air_temperature": {"value": 68.0, "unit": "degF"},
        "altimeter_setting": {"value": 29.98, "unit": "inHg"},
        "egt_rise": {
            "seen": "peak", "cylinders": 1, "rise": {"value": 160.0, "unit": "delta_degF"}, "error": None,
            "spread": None,
        },
        "idle_quality": "slightly_rich",
        "idle_rpm": {"value": 790.0, "unit": "rpm"},
        "highest": {"cht": {"value": 190.0, "unit": "degC"}, "egt": None, "rpm": None},
        "sureness": "sure",
    }  # fmt: skip


def test_the_air_of_the_last_run_is_in_its_place(client: Client, home: str) -> None:
    """A second run soon after the first needs no air typed again."""
    client.post(f"{home}/run", data=RUN)
    again = fields(client.get(f"{home}/run").text)
    assert (again["air_temperature.value"], again["air_pressure.value"]) == ("68", "29.98")
    assert again["peak.value"] == ""


def test_a_trace_is_uploaded(client: Client, home: str) -> None:
    """The rise is read from the file; what cannot be read is said beside it."""
    from taperwise.api.files.installation import fixture

    form = {n: v for n, v in RUN.items() if not n.startswith(("seen", "peak", "rough"))} | {"seen": ""}
    wrong = client.post(f"{home}/run", data=form, files={"trace": ("x.csv", "nothing here", "text/csv")})
    assert wrong.status_code == 422
    assert 'id="trace-wrong"' in wrong.text
    no_text = client.post(f"{home}/run", data=form, files={"trace": ("x.csv", b"\xff\xfe\x00", "text/csv")})
    assert no_text.status_code == 422
    text = fixture("sweep.csv").read_text(encoding="utf-8")
    answer = client.post(f"{home}/run", data=form, files={"trace": ("s.csv", text, "text/csv")}, follow_redirects=False)
    assert answer.status_code == 303, words(answer.text)
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    assert entry["run"]["egt_rise"]["cylinders"] == 4
    assert entry["run"]["egt_rise"]["error"] is not None


def test_an_entry_is_corrected_and_voided(client: Client, home: str) -> None:
    """The form comes filled with what was recorded; the history shows both."""
    client.post(f"{home}/run", data=RUN | {"peak.value": "196"})
    form = fields(client.get(f"{home}/entries/1/correct").text)
    assert form["peak.value"] == "196"
    form.pop("void", None)
    refused = client.post(f"{home}/entries/1/correct", data=form | {"peak.value": "96"})
    assert refused.status_code == 422
    assert fields(refused.text)["peak.value"] == "96"
    client.post(f"{home}/entries/1/correct", data=form | {"peak.value": "96", "reason": "a rise of 96"})
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    assert entry["run"]["egt_rise"]["rise"]["value"] == 196
    assert entry["corrections"][0]["run"]["egt_rise"]["rise"]["value"] == 96
    assert "EGT rise 96 °F" in words(client.get(f"{home}/history").text)
    client.post(f"{home}/entries/1/correct", data={"reason": "not mine", "void": "1"})
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    assert entry["voided"]
    assert client.get(f"{home}/entries/9/correct").status_code == 404


@pytest.mark.parametrize(
    "seen",
    [
        {"power_rpm_rise.value": "20", "power_rpm_rise.unit": "rpm"},
        {"highest.cht.value": "402", "highest.cht.unit": "degF"},
        {"fuel_flow.value": "9", "fuel_flow.unit": "gal/h"},
    ],
    ids=lambda seen: next(iter(seen)),
)
def test_a_correction_shows_all_that_was_recorded(client: Client, home: str, seen: dict[str, str]) -> None:
    """The further fields are open if the run holds any of them, and closed if it holds none."""
    air = {name: value for name, value in RUN.items() if name.startswith("air") or name == "pressure_kind"}
    for more in (seen, {"idle_quality": "smooth"}):
        assert client.post(f"{home}/run", data=air | more, follow_redirects=False).status_code == 303
    shown = [client.get(f"{home}/entries/{number}/correct").text for number in (1, 2)]
    assert ["<details open>\n  <summary>Other figures" in page for page in shown] == [True, False]


def test_a_corrected_trace_run_keeps_its_reading(client: Client, home: str) -> None:
    """Correcting the idle of a run whose rise came from a trace leaves the rise with its error and cylinders."""
    from taperwise.api.files.installation import fixture

    form = {n: v for n, v in RUN.items() if not n.startswith(("seen", "peak", "rough"))} | {"seen": ""}
    text = fixture("sweep.csv").read_text(encoding="utf-8")
    client.post(f"{home}/run", data=form, files={"trace": ("s.csv", text, "text/csv")})
    typed = fields(client.get(f"{home}/entries/1/correct").text)
    typed.pop("void", None)
    client.post(f"{home}/entries/1/correct", data=typed | {"idle_quality": "smooth", "reason": "it was smooth"})
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    (correction,) = entry["corrections"]
    assert correction["run"]["idle_quality"] == "smooth"
    assert correction["run"]["egt_rise"] == entry["run"]["egt_rise"]


def test_a_form_sent_twice_is_recorded_once(client: Client, home: str) -> None:
    """The id in the form makes a second sending the same entry; another entry under it is refused."""
    form = RUN | {"client_id": fields(client.get(f"{home}/run").text)["client_id"]}
    for _ in range(2):
        assert client.post(f"{home}/run", data=form, follow_redirects=False).status_code == 303
    later = form | {"time": "2026-01-02T03:04:05Z"}  # a queue adds the time once it had to wait
    assert client.post(f"{home}/run", data=later, follow_redirects=False).status_code == 303
    assert len(client.get(f"/api/v1{home}/history").json()["entries"]) == 1
    assert client.post(f"{home}/run", data=form | {"peak.value": "90"}).status_code == 422
    assert client.post(f"{home}/run", data=form | {"client_id": "<>"}).status_code == 422
    assert len(client.get(f"/api/v1{home}/history").json()["entries"]) == 1


def test_forms_from_elsewhere_are_refused(client: Client, home: str) -> None:
    """A page of somebody else cannot post here, nor can JSON be slipped past its own checks."""
    for headers in ({"Sec-Fetch-Site": "cross-site"}, {"Origin": "https://example.com"}, {"Origin": "null"}):
        assert client.post(f"{home}/run", data=RUN, headers=headers).status_code == 403
    assert client.post(f"{home}/run", data=RUN, headers={"Origin": "http://testserver"}).status_code == 200
    assert client.post(f"{home}/run", json=RUN).status_code == 415
    assert client.post(f"{home}/run", data=RUN | {"note": "x" * 300_000}).status_code == 413
    assert len(client.get(f"/api/v1{home}/history").json()["entries"]) == 1


def test_units_change_every_page(client: Client, home: str) -> None:
    """After the change the card, the forms, the history and the set-up speak the new units; what was typed stays."""
    client.post(f"{home}/run", data=RUN)
    assert "160 °F" in words(client.get(f"{home}/history").text)
    form = fields(client.get(f"{home}/settings").text)
    changed = form | {"temperature_rise": "delta_degC", "temperature": "degC", "pressure": "hPa", "taper": "percent"}
    client.post(f"{home}/settings", data=changed)
    history = words(client.get(f"{home}/history").text)
    assert "EGT rise 88.9 °C" in history
    assert "air 20 °C" in history
    assert "altimeter setting 1015.2 hPa" in history
    card = words(client.get(home).text)
    assert "°F" not in card
    assert "°C" in card
    assert "Needle B taper slope 3 %" in words(client.get(f"{home}/settings").text)
    blank = fields(client.get(f"{home}/run").text)
    assert (blank["peak.unit"], blank["idle_rpm.unit"]) == ("delta_degC", "rpm")
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    assert entry["run"]["egt_rise"]["rise"] == {"value": 160.0, "unit": "delta_degF"}
    assert client.get(f"/api/v1{home}/suggestion").json()["expected"]["egt_rise"]["unit"] == "delta_degC"
    assert client.post(f"{home}/settings", data=changed | {"taper": "furlong"}).status_code == 422


def test_what_if_stays_within_the_limits(client: Client, home: str) -> None:
    """An answer, or the refusal in words; a script gets the answer alone."""
    client.post(f"{home}/run", data=RUN)
    assert "Both mixtures in target" in words(client.get(f"{home}/whatif?turns=0.125&needle=A").text)
    assert "may be at most 0.25 turn" in words(client.get(f"{home}/whatif?turns=1").text)
    assert "not a number" in words(client.get(f"{home}/whatif?density_altitude=high").text)
    part = client.get(f"{home}/whatif", headers={"HX-Request": "true"})
    assert "<html" not in part.text
    assert "Both mixtures in target" in part.text


def test_what_is_not_there_is_told_on_a_page(client: Client) -> None:
    """With the status of the JSON API, in words."""
    for address in (
        "/installations/99",
        "/installations/99/run",
        "/installations/99/history",
        "/installations/99/before",
    ):
        answer = client.get(address)
        assert answer.status_code == 404
        assert "Engine not found" in words(answer.text)
    assert client.get("/installations/abc").status_code == 422
    assert client.get("/parts/other.js").status_code == 404


def test_a_browser_is_told_on_a_page_what_no_page_told(settings: Settings) -> None:
    """An address that leads nowhere, and a failure that nobody foresaw; a program and the JSON API get the document."""
    shown = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
    with Client(create_app(settings, StandIn), raise_server_exceptions=False) as client:
        nowhere = client.get("/instalations", headers=shown)
        assert nowhere.status_code == 404
        assert "There is nothing at this address (got /instalations)" in words(nowhere.text)
        assert 'href="/installations"' in nowhere.text
        for answer in (client.get("/instalations"), client.get("/api/v1/instalations", headers=shown)):
            assert problem(answer, 404)["detail"] == "Not Found"
        client.app.state.database = None  # type: ignore[attr-defined] - the client hides the type
        failed = client.get("/installations", headers=shown)
        assert failed.status_code == 500
        assert f"details in its log, under {failed.headers['X-Request-ID']}" in words(failed.text)


def test_nothing_comes_from_elsewhere(client: Client, home: str) -> None:
    """Every page is under the policy, holds no script or style of its own and names no other host."""
    client.post(f"{home}/run", data=RUN)
    pages = ["/installations", "/installations/new", home, "/installations/99"]
    pages += [f"{home}/{p}" for p in ("run", "adjust", "before", "history", "whatif", "settings", "entries/1/correct")]
    for address in pages:
        answer = client.get(address)
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"], address
        assert "unsafe" not in answer.headers["Content-Security-Policy"]
        assert "://" not in answer.text, address
        assert not re.search(r"<style|<script(?![^>]*src=)|\sstyle=|\son[a-z]+=", answer.text), address
        parts = re.findall(r'(?:src|href)="(/parts/[^"]*)"', answer.text)
        assert parts, address
        for path in parts:
            assert client.get(path).status_code == 200
    for name in ASSETS:
        assert "sourceMappingURL" not in client.get(f"/parts/{name}").text


def test_a_file_is_looked_at_before_it_is_recorded(client: Client, home: str) -> None:
    """Its first lines, its columns, those that are read ticked, what will be recorded, a picture; nothing is stored."""
    from taperwise.api.files.installation import fixture

    text = fixture("sweep.csv").read_text(encoding="utf-8")

    def looked_at(held: bytes, **more: str) -> str:
        answer = client.post(
            f"{home}/run/preview", data={"x": "1"} | more, files={"trace": ("s.csv", held, "text/csv")}
        )
        assert answer.status_code == 200
        assert "<html" not in answer.text
        return answer.text

    shown = looked_at(text.encode())
    assert text.splitlines()[0] in unescape(shown)
    ticked = re.findall(r'name="(trace_use\.\d+)" value="([^"]+)" checked', shown)
    assert len(ticked) == 4
    assert "EGT rise" in words(shown)
    assert "data:image/svg+xml" in shown
    fewer = looked_at(text.encode(), **dict(ticked[:2]))
    assert len(re.findall(r'name="trace_use\.\d+" value="[^"]+" checked', fewer)) == 2
    assert "wrong" in looked_at(b"nothing here")
    degrees = "time [s],EGT 1 [°F]\n0,1200\n"
    assert "°F" in looked_at(degrees.encode("latin-1"))
    assert client.get(f"/api/v1{home}/history").json()["entries"] == []
