"""Files as loggers and spreadsheets write them: read right, or refused in words."""

import numpy as np
import pytest

from taperwise.api.files.installation import fixture
from taperwise.api.schemas.run import ColumnMapping
from taperwise.api.traces.columns import Trace, trace_of
from taperwise.api.traces.file_text import text_of
from taperwise.api.traces.preview import preview
from taperwise.shared.errors import InvalidValueError
from tests.api.ugly_files import FILES, KELVIN, SECONDS, Ugly


def _read(file: Ugly) -> Trace:
    return trace_of(text_of(file.data, "trace", file.name), ColumnMapping.model_validate(file.mapping))


@pytest.mark.parametrize("file", [f for f in FILES if not f.says], ids=lambda f: f.name)
def test_a_file_is_read_as_it_was_meant(file: Ugly) -> None:
    """Moments and temperatures come out as they were before they were written."""
    trace = _read(file)
    assert trace.seconds - trace.seconds[0] == pytest.approx(SECONDS, abs=max(file.within, 1e-6))
    assert trace.seconds[0] == pytest.approx(0.0, abs=0.5)
    (kelvin,) = trace.egt_kelvin.values()
    assert kelvin == pytest.approx(KELVIN, abs=0.06)


@pytest.mark.parametrize("file", [f for f in FILES if f.says], ids=lambda f: f.name)
def test_a_file_that_cannot_be_read_says_why(file: Ugly) -> None:
    """The sentence names the place or the field that decides, and a cure."""
    with pytest.raises(InvalidValueError, match=file.says) as refused:
        _read(file)
    assert refused.value.cure


def test_there_are_fifty() -> None:
    """Of which a good half is read."""
    assert len(FILES) >= 50
    assert sum(not file.says for file in FILES) > 30


def test_whole_seconds_give_the_rise_of_half_seconds() -> None:
    """The invented sweep under whole-second stamps reads as under its own: no peak is lost, none is found too early."""
    text = fixture("sweep.csv").read_text(encoding="utf-8")
    whole = text.replace(".0,", ",").replace(".5,", ",")
    assert whole != text
    own, read = (preview(each).sweeps[0].readings for each in (text, whole))
    assert [r.rise_kelvin for r in read.values()] == pytest.approx([r.rise_kelvin for r in own.values()], abs=0.5)
    true = dict(zip(read, np.array([137.0, 149.0, 128.0, 243.0]) / 1.8, strict=True))  # of the virtual cylinders
    assert all(abs(r.rise_kelvin - true[name]) < 3 * r.error_kelvin for name, r in read.items())


def test_a_preview_says_what_would_be_read() -> None:
    """First rows, kinds, units and sweeps of a file that can be read."""
    seen = preview("time,EGT 1 (°F),fuel flow,oil\n" + "".join(f"{t},{1300 + t},9,90\n" for t in range(30)))
    assert [(c.kind, c.unit) for c in seen.columns] == [("time", "s"), ("egt", "degF"), ("unused", ""), ("unused", "")]
    assert seen.columns[2].reason == "its unit is unknown"
    assert (seen.rows[1], seen.count, seen.seconds) == (["1", "1301", "9", "90"], 30, 29.0)
    sweep = preview(fixture("sweep.csv").read_text(encoding="utf-8"))
    assert sweep.refusal is None
    assert sweep.sweeps[0].leanest == "EGT 3"


def test_a_preview_says_what_decides() -> None:
    """A file that waits for an answer is shown all the same, with the field that gives it."""
    seen = preview("time (s);EGT 1 (degC)\n" + "".join(f"{t};1.013\n" for t in range(30)))
    assert seen.refusal is not None
    assert seen.refusal.field == "mapping.decimal"
    assert [c.kind for c in seen.columns] == ["time", "egt"]
    assert preview("time (s);EGT 1 (degC)\n0;hot\n").rows == [["0", "hot"]]
