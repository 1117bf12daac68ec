import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from taperwise.api.cli.main import app, run
from taperwise.api.files.installation import fixture
from taperwise.api.schemas.run import ColumnMapping
from taperwise.api.traces.columns import trace_of
from taperwise.api.traces.csv_table import MOST_ROWS, read_table
from taperwise.shared.errors import InvalidValueError
from tests.api.asking import Client

_AIR = {"air_temperature": {"value": 68, "unit": "degF"}, "pressure": {"value": 29.9, "unit": "inHg"}}

_SAME = [
    "time (s),EGT 1 (degF),rpm\n0,1300,2700\n0.5,1310.5,2705\n1,,2710\n",
    "\ufefftime [s];EGT 1 [degF];rpm\r\n0;1300;2700\r\n0,5;1310,5;2705\r\n1;;2710\r\n",
    "time\tEGT 1 (degF)\trpm\n10:00:00\t1300\t2700\n10:00:00.5\t1310.5\t2705\n10:00:01\t-\t2710\n",
    "an export of my own\n\ntime,EGT 1 (degF),rpm\n2026-05-01T10:00:00+02:00,1300,2700\n"
    "2026-05-01T10:00:00.500+02:00,1310.5,2705\n2026-05-01T10:00:01+02:00,n/a,2710\n",
    "Time,EGT 1 (°C),rpm\n23:59:59.5,704.4444444,2700\n00:00:00,710.2777778,2705\n00:00:00.5,NaN,2710\n",
]


@pytest.mark.parametrize("text", _SAME, ids=["comma", "semicolon", "tab and clock", "preamble and ISO", "midnight"])
def test_the_same_trace_however_it_was_written(text: str) -> None:
    """Separators, decimal signs, clocks, byte order marks and gaps all come to the same trace."""
    trace = trace_of(text)
    assert trace.seconds == pytest.approx([0.0, 0.5, 1.0])
    (kelvin,) = trace.egt_kelvin.values()
    assert kelvin == pytest.approx([(1300 + 459.67) / 1.8, (1310.5 + 459.67) / 1.8, np.nan], nan_ok=True)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "no line of headings"),
        ("1,2\n3,4\n", "no line of headings"),
        ("time,EGT 1 (degF)\n", "no row below"),
        ("time,EGT 1 (degF)\n0,1300\n1,hot\n", r"row 3, column 'EGT 1 \(degF\)'.*got hot"),
        ("time,EGT 1\n0,1300\n", "unit of this temperature"),
        ("time,oil (degF)\n0,180\n", "No column looks like"),
        ("time,EGT 1 (degC)\n0,2900\n", "between 200 and 1300 K"),
    ],
)
def test_what_cannot_be_read_is_named(text: str, words: str) -> None:
    """Row, column and cure stand in the error."""
    with pytest.raises(InvalidValueError, match=words):
        trace_of(text)


def test_too_many_rows() -> None:
    """Two hundred thousand rows are read, one more is refused."""
    line = "1,1300\n"
    assert len(read_table("time,EGT (degF)\n" + line * MOST_ROWS)[0].values) == MOST_ROWS
    with pytest.raises(InvalidValueError, match="more than 200000 rows"):
        read_table("time,EGT (degF)\n" + line * (MOST_ROWS + 1))


def test_any_headings_with_a_mapping() -> None:
    """Headings of any kind are read once they are named."""
    mapping = ColumnMapping(time="T", egt=["links", "rechts"], temperature_unit="degC")
    trace = trace_of("T;links;rechts\n0;700;710\n1;705;715\n", mapping)
    assert list(trace.egt_kelvin) == ["links", "rechts"]
    with pytest.raises(InvalidValueError, match="Use one of these columns: T, links, rechts"):
        trace_of("T;links;rechts\n0;700;710\n", ColumnMapping(egt=["oben"], temperature_unit="degC"))


@given(st.text(max_size=300))
def test_no_text_breaks_the_reader(text: str) -> None:
    """Whatever the text, it is a table or a clear refusal."""
    try:
        assert read_table(text)
    except InvalidValueError as error:
        assert error.field


def _sweep() -> str:
    return fixture("sweep.csv").read_text(encoding="utf-8")


def test_a_run_with_a_trace(client: Client, place: str) -> None:
    """The rise of the leanest cylinder is read with its error, the odd cylinder is named, the trace is kept."""
    answer = client.post(f"{place}/runs", json={**_AIR, "trace": {"csv": _sweep()}})
    assert answer.status_code == 201, answer.text
    recorded = answer.json()
    rise = recorded["run"]["run"]["egt_rise"]
    # true rises of the virtual cylinders: 137, 149, 128 and 243 °F; the third is the leanest
    assert recorded["sweeps"][0]["leanest"] == "EGT 3"
    assert abs(rise["rise"]["value"] - 127.6 / 1.8) < 3 * rise["error"]["value"]
    assert recorded["sweeps"][0]["departing"] == ["EGT 4"]
    assert any("EGT 4" in w and "probe" in w for w in recorded["warnings"])
    assert client.get(f"{place}/history").json()["entries"][0]["run"]["egt_rise"] == rise


def test_no_reading_is_exact(client: Client, place: str) -> None:
    """A rise that claims no error at all is refused."""
    rise = {"seen": "peak", "rise": {"value": 100, "unit": "delta_degF"}, "error": {"value": 0, "unit": "delta_degF"}}
    answer = client.post(f"{place}/runs", json={**_AIR, "egt_rise": rise})
    assert answer.status_code == 422
    assert answer.json()["errors"][0]["field"] == "egt_rise.error"


def test_a_mapping_is_remembered(client: Client, place: str) -> None:
    """Once the columns of a logger are named, the next trace of the installation needs no mapping."""
    csv = _sweep().replace("EGT ", "probe ").replace(" (degF)", "")
    refused = client.post(f"{place}/runs", json={**_AIR, "trace": {"csv": csv}})
    assert refused.status_code == 422
    mapping = {"egt": ["probe 1", "probe 2", "probe 3"], "temperature_unit": "degF"}
    named = client.post(f"{place}/runs", json={**_AIR, "trace": {"csv": csv, "mapping": mapping}})
    again = client.post(f"{place}/runs", json={**_AIR, "trace": {"csv": csv}})
    assert (named.status_code, again.status_code) == (201, 201)
    assert again.json()["sweeps"] == named.json()["sweeps"]
    other = client.post(f"{place}/runs", json={**_AIR, "trace": {"csv": _sweep()}})
    assert other.status_code == 422
    (told,) = other.json()["errors"]
    assert told["field"] == "mapping.egt"
    assert told["message"] == "The logger file has no such column, the name that was kept from this engine's last file"
    assert "EGT 1" in told["cure"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"egt_rise": {"seen": "fell_at_once"}}, "not both"),
        ({"trace": {"csv": "time,EGT (degF)\n0,hot\n"}}, "row 2"),
        ({"trace": {"csv": "time,EGT (degF)\n" + "\n".join(f"{i},1300" for i in range(60))}}, "no response to leaning"),
        ({"trace": {"csv": "time,EGT (degF)\n0,1300\n"}}, "at least 15 samples"),
    ],
)
def test_a_bad_trace_is_refused(client: Client, place: str, change: Any, words: str) -> None:
    """A trace that cannot be used is refused with the reason, and nothing is stored."""
    body = {**_AIR, "trace": {"csv": _sweep()}} | change
    answer = client.post(f"{place}/runs", json=body)
    assert answer.status_code == 422
    assert words in answer.json()["detail"]
    assert client.get(f"{place}/history").json()["entries"] == []


@pytest.mark.slow
def test_a_trace_teaches_more_than_rounded_rises(real_client: Client, needles: list[dict[str, Any]]) -> None:
    """After three runs the offset is known at least a quarter more narrowly from traces than from rounded rises: what
    the mixture itself does from run to run is in both.
    """

    def width(rises: list[dict[str, Any]]) -> float:
        body = {"needles": needles, "fitted_needle": "taper 30.0"}
        place = real_client.post("/api/v1/installations", json=body).headers["Location"]
        for rise in rises:
            answer = real_client.post(f"{place}/runs", json={**_AIR, "egt_rise": {"seen": "peak", **rise}})
        low, high = answer.json()["confidence"]["offset"]["interval_90"]
        return float(high - low)

    def degf(x: float) -> dict[str, Any]:
        return {"value": x, "unit": "delta_degF"}

    typed = width([{"rise": degf(x)} for x in (150, 125, 150)])
    traced = width([{"rise": degf(x), "error": degf(3.5)} for x in (141.2, 139.0, 142.5)])
    assert traced <= 0.75 * typed


def test_read_sweep_on_the_command_line(tmp_path: Path) -> None:
    """The reading comes as a table, as JSON and as a picture in either format."""
    told = CliRunner().invoke(app, ["read-sweep", str(fixture("sweep.csv"))])
    assert told.exit_code == 0
    assert "The leanest decides: EGT 3" in told.stdout
    assert "EGT 4 differs" in told.stdout
    for ending, start in (("svg", b"<svg"), ("png", b"\x89PNG")):
        path = tmp_path / f"sweep.{ending}"
        result = CliRunner().invoke(app, ["read-sweep", str(fixture("sweep.csv")), "--plot", str(path), "--json"])
        assert json.loads(result.stdout)[0]["leanest"] == "EGT 3"
        assert path.read_bytes().startswith(start)


@pytest.mark.parametrize(
    ("more", "words"),
    [(["--egt", "foo"], "Use one of these columns"), (["--plot", "x.gif"], "SVG or PNG"), (["--unit", "R"], "unit")],
)
def test_wrong_options_are_told(
    more: list[str], words: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A wrong option is told with the cure, and ends with status 2."""
    monkeypatch.setattr("sys.argv", ["taperwise", "read-sweep", str(fixture("sweep.csv")), *more])
    with pytest.raises(SystemExit) as ended:
        run()
    assert ended.value.code == 2
    assert words in capsys.readouterr().err
