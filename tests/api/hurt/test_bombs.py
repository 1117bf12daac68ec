"""A small spreadsheet that stands for a large table: little of it reaches the service."""

import io
import subprocess
import zipfile
from typing import Any

import pytest

from taperwise.api.traces import sheet_reader
from taperwise.api.traces.file_text import text_of
from taperwise.shared.errors import BusyError, InvalidValueError

_TYPES = (
    '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="xml" '
    'ContentType="application/xml"/><Default Extension="rels" '
    'ContentType="application/vnd.openxmlformats-package.relationships+xml"/></Types>'
)
_OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_RELS = (
    '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" '
    'Type="{office}/{kind}" Target="{target}"/></Relationships>'
)
_MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def _sheet(rows: int) -> bytes:
    """A workbook of one sheet, each row one cell of 10,000 letters."""
    row = "<row><c t='inlineStr'><is><t>" + 10_000 * "x" + "</t></is></c></row>"
    found = io.BytesIO()
    with zipfile.ZipFile(found, "w", zipfile.ZIP_DEFLATED) as file:
        file.writestr("[Content_Types].xml", _TYPES)
        file.writestr("_rels/.rels", _RELS.format(office=_OFFICE, kind="officeDocument", target="xl/workbook.xml"))
        book = f'<workbook xmlns="{_MAIN}" xmlns:r="{_OFFICE}"><sheets><sheet name="a" sheetId="1" r:id="r1"/></sheets>'
        file.writestr("xl/workbook.xml", book + "</workbook>")
        target = _RELS.format(office=_OFFICE, kind="worksheet", target="worksheets/a.xml")
        file.writestr("xl/_rels/workbook.xml.rels", target)
        file.writestr(
            "xl/worksheets/a.xml", f'<worksheet xmlns="{_MAIN}"><sheetData>{rows * row}</sheetData></worksheet>'
        )
    return found.getvalue()


def test_no_more_is_read_than_a_trace_may_have(monkeypatch: pytest.MonkeyPatch) -> None:
    """The process that reads it ends without a word."""
    sizes: list[tuple[int, int]] = []
    bare = subprocess.run

    def watched(*args: Any, **rest: Any) -> Any:
        done = bare(*args, **rest)
        sizes.append((done.returncode, len(done.stdout)))
        return done

    monkeypatch.setattr(subprocess, "run", watched)
    assert len(text_of(_sheet(20), "trace", "a.xlsx")) == 20 * 10_001
    with pytest.raises(InvalidValueError, match="too large"):
        text_of(_sheet(2_000), "trace", "a.xlsx")
    assert [code for code, _ in sizes] == [0, sheet_reader.TOO_LONG]
    assert sizes[1][1] == 0


def test_a_spreadsheet_that_takes_too_long_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """By the clock on the wall: a process that waits uses no processor."""
    monkeypatch.setattr(sheet_reader, "_SECONDS", 0.001)
    with pytest.raises(InvalidValueError, match="too large"):
        text_of(_sheet(20), "trace", "a.xlsx")


def test_one_spreadsheet_is_read_at_a_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """Others wait for a while, then they are told to come again."""
    monkeypatch.setattr(sheet_reader, "_PATIENCE_SECONDS", 0.01)
    with sheet_reader._TURN, pytest.raises(BusyError, match="another spreadsheet"):
        text_of(_sheet(20), "trace", "a.xlsx")
    assert text_of(_sheet(20), "trace", "a.xlsx")
