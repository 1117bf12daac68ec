"""Figures on pages and in commands have the reader's decimal sign; what programs read has a point."""

from pathlib import Path

import altair as alt
import pytest

from taperwise.api.charts.style import frame, svg_of
from taperwise.api.presentation.decimal_sign import of_environment, of_languages
from taperwise.api.presentation.digits import read_with, sign_now
from taperwise.api.web.background_calls import BackgroundCalls
from tests.api.asking import Client
from tests.api.commands import caller
from tests.api.web.reading import FORM, RUN, fields, words

_SWEEP = Path(__file__).parents[3] / "fixtures/sweep.csv"
_GERMAN = {"Accept-Language": "de-AT,de;q=0.9,en;q=0.8"}
_ENGLISH = {"Accept-Language": "en-GB"}


@pytest.mark.parametrize(
    ("language", "sign"),
    [
        # Unicode CLDR 47, common/main/*.xml, symbols numberSystem="latn", decimal, with its inheritance
        ("de", ","), ("de-DE", ","), ("de-CH", "."), ("de-LI", "."), ("fr", ","), ("fr-CH", ","), ("fr-CA", ","),
        ("es", ","), ("es-AR", ","), ("es-MX", "."), ("it", ","), ("nl", ","), ("pl", ","), ("pt-BR", ","),
        ("nb", ","), ("sv", ","), ("cs", ","), ("ru", ","), ("en", "."), ("en-GB", "."), ("en-AU", "."),
        ("en-DE", ","), ("ja", "."), ("zh-Hant-TW", "."), ("he", "."),
    ],
)  # fmt: skip
def test_signs_are_those_of_the_cldr(language: str, sign: str) -> None:
    """By language and region, for a browser and for a shell."""
    assert of_languages(language) == sign
    assert of_environment({"LANG": f"{language.replace('-', '_')}.UTF-8"}) == sign


@pytest.mark.parametrize(
    ("asked", "sign"),
    [
        ("en;q=0.3, de;q=0.9", ","), ("de;q=0, en", "."), ("tlh, xx-XX, de;q=0.1", ","), ("de-RU", ","), ("*", "."),
        ("", "."), ("../../etc/passwd", "."), ("de;q=high", "."), ("de;q=1.5", "."), ("," * 5000, "."),
    ],
)  # fmt: skip
def test_what_browsers_send_is_weighed(asked: str, sign: str) -> None:
    """The heaviest language that is known decides; what cannot be read counts for nothing."""
    assert of_languages(asked) == sign


def test_the_first_locale_that_is_set_decides() -> None:
    """As POSIX orders them; one that is empty is not set."""
    assert of_environment({"LC_ALL": "", "LC_NUMERIC": "fr_FR@euro", "LANG": "en_GB.UTF-8"}) == ","
    assert of_environment({"LC_ALL": "C.UTF-8", "LANG": "fr_FR.UTF-8"}) == "."
    assert of_environment({}) == "."


def test_pages_follow_and_programs_do_not(client: Client, home: str) -> None:
    """The same log for two readers; what the API and the table say is the same for both, tag and bytes."""
    client.post(f"{home}/run", data=RUN)
    there = client.get(f"{home}/settings", headers=_GERMAN)
    assert "Needle A taper slope 29,4 mm/m" in words(there.text)
    assert "Accept-Language" in there.headers["Vary"]
    assert "Needle A taper slope 29.4 mm/m" in words(client.get(f"{home}/settings", headers=_ENGLISH).text)
    assert "altimeter setting 29,98 inHg" in words(client.get(f"{home}/history", headers=_GERMAN).text)
    for address in (f"/api/v1{home}/suggestion", f"/api/v1{home}/history"):
        one, other = (client.get(address, headers=asked) for asked in (_GERMAN, _ENGLISH))
        assert one.headers["ETag"] == other.headers["ETag"]
        assert one.content == other.content
        assert "Accept-Language" not in one.headers.get("Vary", "")


def test_a_form_takes_what_it_shows(client: Client, home: str) -> None:
    """The set-up as shown with commas, sent back with one change: nothing else changes, in the table neither."""
    before = client.get(f"/api/v1{home}").json()["installation"]
    form = fields(client.get(f"{home}/set-up", headers=_GERMAN).text)
    assert form["needles.0.taper_slope.value"] == "29,4"
    stroke = {"throttle_body.slide_stroke.value": "31,5", "throttle_body.slide_stroke.unit": "mm"}
    sent = {name: text for name, text in form.items() if not name.endswith(".retired")} | stroke
    answer = client.post(f"{home}/set-up", data=sent, headers=_GERMAN)
    assert answer.status_code == 200, words(answer.text)
    after = client.get(f"/api/v1{home}").json()["installation"]
    assert after["throttle_body"].pop("slide_stroke") == {"value": 31.5, "unit": "mm"}
    before["throttle_body"].pop("slide_stroke")
    assert after == before
    table = client.get(f"{home}/table.csv", headers=_GERMAN)
    assert table.content == client.get(f"{home}/table.csv", headers=_ENGLISH).content


def test_refusals_on_a_page_follow(client: Client) -> None:
    """Their figures, as typed and as allowed."""
    wrong = FORM | {"needles.0.taper_slope.value": "9900,5"}
    told = words(client.post("/installations/new", data=wrong, headers=_GERMAN).text)
    assert "9900,5" in told
    assert "9900.5" not in told
    home = client.post("/installations/new", data=FORM | {"needles.0.label": "2.5"}, follow_redirects=False).headers
    other = {"kind": "change_needle", "needle": "3.5", "turns_from_mark": "0"}
    told = words(client.post(f"{home['Location']}/adjust", data=other, headers=_GERMAN).text)
    assert "(got 3.5). Your needles: 2.5" in told  # names are none of the figures


def test_pictures_are_drawn_for_their_reader() -> None:
    """Axes too, in whatever thread they are drawn."""
    line = alt.Chart(frame([{"x": 0.0, "y": 0.0}, {"x": 1.0, "y": 2500.0}])).mark_line().encode(x="x:Q", y="y:Q")
    with read_with(","):
        drawn = BackgroundCalls().done(("a picture", 1), lambda: svg_of(line, "of one and a half"))
    assert sign_now() == "."
    assert {">0,5<", ">2500<"} <= {each for each in (">0,5<", ">0.5<", ">2500<", ">2,500<") if each in drawn}
    assert ">0.5<" in svg_of(line, "of one and a half")


def test_commands_follow_the_shell(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """Text does, JSON does not, and nothing is left behind."""
    call = caller(monkeypatch, capsys)
    monkeypatch.setenv("COLUMNS", "200")
    found = {}
    for locale in ("de_DE.UTF-8", "C.UTF-8"):
        monkeypatch.setenv("LC_ALL", locale)
        found[locale] = call("read-sweep", str(_SWEEP))[1], call("read-sweep", str(_SWEEP), "--json")[1]
        assert sign_now() == "."
    (german, data), (plain, same) = found["de_DE.UTF-8"], found["C.UTF-8"]
    assert data == same
    assert german != plain
    assert german.replace(",", ".").split() == plain.replace(",", ".").split()


def test_errors_of_commands_follow_the_shell(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Figures with a unit do; what was typed stays as it was."""
    call = caller(monkeypatch, capsys)
    for locale, seen in (("de_DE.UTF-8", "got 2900,4 mm/m"), ("C.UTF-8", "got 2900.4 mm/m")):
        monkeypatch.setenv("LC_ALL", locale)
        status, _, told = call("new", "--needle", "A=2900.4")
        assert status == 2
        assert seen in told
    assert "got A.5" in call("new", "--needle", "A=29.4", "--fitted", "A.5")[2]
