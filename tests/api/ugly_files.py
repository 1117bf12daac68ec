"""Invented files that a logger or a spreadsheet could write of one sweep: each with what must be read or said.

The sweep is 120 samples, two a second. Nothing here is of a real logger, and no maker's format is followed.
"""

import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

__all__ = ["FILES", "KELVIN", "SECONDS", "Ugly"]

_N = 120
SECONDS = np.arange(_N) / 2.0
"""When the samples were made [s]."""
_C = [round(704.2 + 80.0 * np.exp(-(((t - 35.0) / 12.0) ** 2)) + 0.3 * np.sin(7 * t), 1) for t in SECONDS]
KELVIN = np.array(_C) + 273.15
"""What the probe showed [K]."""
_F = [round(1.8 * c + 32.0, 1) for c in _C]
_BEGIN = datetime(2026, 3, 5, 13, 59, 30)


@dataclass(frozen=True)
class Ugly:
    """A file, what is said of its columns, and the sentence that must be said; without one it must be read."""

    name: str
    data: bytes
    says: str = ""
    mapping: dict[str, object] = field(default_factory=dict)
    within: float = 1e-6  # s, by which a moment may be off


def _moments(begin: datetime = _BEGIN) -> list[datetime]:
    return [begin + timedelta(seconds=float(t)) for t in SECONDS]


def _table(times: list[str], values: list[str], sep: str = ",", head: str = "time (s),EGT 1 (degC)") -> str:
    return head.replace(",", sep) + "\n" + "".join(f"{t}{sep}{v}\n" for t, v in zip(times, values, strict=True))


def _written(style: str, begin: datetime = _BEGIN) -> list[str]:
    return [moment.strftime(style) for moment in _moments(begin)]


_S = [f"{t:g}" for t in SECONDS]
_V = [f"{c:.1f}" for c in _C]
_COMMA = [v.replace(".", ",") for v in _V]
_POINTED = [f"{c + 0.04:,.2f}".replace(",", "_").replace(".", ",").replace("_", ".") for c in _F]  # 1.299,64
_PLAIN = _table(_S, _V)


def _fahrenheit(values: list[str], sep: str, head: str, times: list[str] | None = None) -> str:
    return _table(times or _S, values, sep, head)


def _file(
    name: str, text: str, says: str = "", encoding: str = "utf-8", within: float = 1e-6, **mapping: object
) -> Ugly:
    return Ugly(name, text.encode(encoding), says, mapping, within)


def _sheet(write: Callable[[zipfile.ZipFile], None]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        write(packed)
    return out.getvalue()


def _xlsx(tables: dict[str, list[list[str | float]]], last: str = "") -> bytes:
    """The least of an Office Open XML workbook (ISO/IEC 29500); `last` is the place of one more cell."""
    main, ns = "http://schemas.openxmlformats.org/spreadsheetml/2006/main", "http://schemas.openxmlformats.org"

    def cell(value: str | float) -> str:
        text = isinstance(value, str)
        return f'<c t="inlineStr"><is><t>{value}</t></is></c>' if text else f"<c><v>{value}</v></c>"

    def write(packed: zipfile.ZipFile) -> None:
        kinds = "application/vnd.openxmlformats-officedocument.spreadsheetml"
        parts = "".join(
            f'<Override PartName="/xl/worksheets/s{i}.xml" ContentType="{kinds}.worksheet+xml"/>'
            for i in range(len(tables))
        )
        packed.writestr(
            "[Content_Types].xml",
            f'<Types xmlns="{ns}/package/2006/content-types"><Default Extension="rels" ContentType='
            '"application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" '
            'ContentType="application/xml"/>'
            f'<Override PartName="/xl/workbook.xml" ContentType="{kinds}.sheet.main+xml"/>'
            f"{parts}</Types>",
        )
        packed.writestr(
            "_rels/.rels",
            f'<Relationships xmlns="{ns}/package/2006/relationships"><Relationship Id="r" Type="{ns}/officeDocument/'
            '2006/relationships/officeDocument" Target="xl/workbook.xml"/></Relationships>',
        )
        sheets = "".join(f'<sheet name="{n}" sheetId="{i + 1}" r:id="s{i}"/>' for i, n in enumerate(tables))
        packed.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{ns}/officeDocument/2006/relationships"><sheets>{sheets}</sheets>'
            "</workbook>",
        )
        relations = "".join(
            f'<Relationship Id="s{i}" Type="{ns}/officeDocument/2006/relationships/worksheet" '
            f'Target="worksheets/s{i}.xml"/>'
            for i in range(len(tables))
        )
        packed.writestr(
            "xl/_rels/workbook.xml.rels",
            f'<Relationships xmlns="{ns}/package/2006/relationships">{relations}</Relationships>',
        )
        for i, rows in enumerate(tables.values()):
            inside = "".join(f"<row>{''.join(map(cell, row))}</row>" for row in rows)
            inside += f'<row r="1048576"><c r="{last}"><v>1</v></c></row>' if last else ""
            packed.writestr(
                f"xl/worksheets/s{i}.xml", f'<worksheet xmlns="{main}"><sheetData>{inside}</sheetData></worksheet>'
            )

    return _sheet(write)


def _ods(rows: list[list[str | float]]) -> bytes:
    """The least of an OpenDocument spreadsheet (ISO/IEC 26300)."""
    ns = "urn:oasis:names:tc:opendocument:xmlns"

    def cell(value: str | float) -> str:
        kind = f'office:value-type="{"string" if isinstance(value, str) else "float"}"'
        number = "" if isinstance(value, str) else f' office:value="{value}"'
        return f"<table:table-cell {kind}{number}><text:p>{value}</text:p></table:table-cell>"

    def write(packed: zipfile.ZipFile) -> None:
        kind = "application/vnd.oasis.opendocument.spreadsheet"
        packed.writestr("mimetype", kind)
        packed.writestr(
            "META-INF/manifest.xml",
            f'<manifest:manifest xmlns:manifest="{ns}:manifest:1.0"><manifest:file-entry manifest:full-path="/" '
            f'manifest:media-type="{kind}"/></manifest:manifest>',
        )
        inside = "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>" for row in rows)
        packed.writestr(
            "content.xml",
            f'<office:document-content xmlns:office="{ns}:office:1.0" xmlns:table="{ns}:table:1.0" '
            f'xmlns:text="{ns}:text:1.0"><office:body><office:spreadsheet><table:table table:name="sweep">{inside}'
            "</table:table></office:spreadsheet></office:body></office:document-content>",
        )

    return _sheet(write)


_ROWS: list[list[str | float]] = [
    ["time (s)", "EGT 1 (°C)"],
    *([float(t), c] for t, c in zip(SECONDS, _C, strict=True)),
]
_WHOLE = _written("%H:%M:%S")
_HEAD_F = "time (s),EGT 1 (°F)"
_NIGHT = datetime(2026, 3, 5, 23, 59, 40)
_UNITS = "time;EGT 1;rpm\n{}\n" + "".join(f"{t};{v};2700\n" for t, v in zip(_S, _V, strict=True))
_ONE_BY_ONE = "\n".join(_PLAIN.splitlines()[1:])
_THREE = "time (s),EGT 1 (degC),rpm\n" + "".join(f"{t},{v},2700\n" for t, v in zip(_S, _V, strict=True))
_JITTER = [f"{t:.1f}" for t in np.floor(SECONDS * 10) / 10]


def _with_lines(lines: str, text: str = _PLAIN) -> str:
    """The text with these lines in its middle."""
    rows = text.splitlines(keepends=True)
    return "".join([*rows[:60], lines, *rows[60:]])


FILES = [
    # encodings
    _file("windows-1252 degree sign", _fahrenheit([f"{v}" for v in _F], ",", _HEAD_F), encoding="cp1252"),
    _file("utf-16 with a mark", _fahrenheit([f"{v}" for v in _F], ",", _HEAD_F), encoding="utf-16"),
    _file("utf-16 little end first", _fahrenheit([f"{v}" for v in _F], ",", _HEAD_F), encoding="utf-16-le"),
    _file("utf-16 big end first", _fahrenheit([f"{v}" for v in _F], ",", _HEAD_F), encoding="utf-16-be"),
    _file("utf-8 with a mark", _PLAIN, encoding="utf-8-sig"),
    _file("a degree sign of a DOS", _fahrenheit(_V, ",", "time (s),EGT 1 (°C)"), "unit of this temperature", "cp850"),
    Ugly("bytes that are no text", bytes(range(256)) * 8, "not text in UTF-8, UTF-16"),
    _file("one sign for degrees Fahrenheit", _fahrenheit([f"{v}" for v in _F], ",", "time (s),EGT 1 (\u2109)")),
    _file("an ordinal for a degree", _fahrenheit(_V, ",", "time (s),EGT 1 (ºC)")),
    # decimals and thousands
    _file("grouped thousands", _fahrenheit(_POINTED, ";", _HEAD_F), within=0.05),
    _file("thousands in quotes", _fahrenheit([f'"{v + 0.04:,.2f}"' for v in _F], ",", _HEAD_F), within=0.05),
    _file("thousands behind a narrow space", _fahrenheit([f"{v:,}".replace(",", "\u202f") for v in _F], ",", _HEAD_F)),
    _file("thousands behind an apostrophe", _fahrenheit([f"{v:,}".replace(",", "'") for v in _F], ",", _HEAD_F)),
    _file("decimal comma and tabs", _table([s.replace(".", ",") for s in _S], _COMMA, "\t")),
    _file("decimal comma in quotes", _table(_S, [f'"{v}"' for v in _COMMA])),
    _file("decimal comma between commas", _table(_S, _COMMA), "more fields than headings"),
    _file("decimals or thousands", _table([str(i) for i in range(_N)], ["1.013"] * _N, ";"), r"mapping\.decimal"),
    _file(
        "decimals, as was said", _table([f"{t + 1:.3f}" for t in SECONDS], [f"{c:.3f}" for c in _C], ";"), decimal="."
    ),
    _file("both signs in one column", _table(_S, ["704.2", "704,2"] * (_N // 2), ";"), "row 3, column 'EGT 1"),
    # clocks and dates
    _file("month first, AM and PM", _table(_written("%m/%d/%Y %I:%M:%S.%f %p"), _V)),
    _file("points between day and month", _table(_written("%d.%m.%Y %H:%M:%S,%f"), _COMMA, ";")),
    _file("past noon without a date", _table(_written("%I:%M:%S.%f %p"), _V)),
    _file("a month's name", _table([f'"{m}"' for m in _written("%b %d, %Y %H:%M:%S.%f")], _V)),
    _file("day, name, year", _table(_written("%d-%b-%Y %H:%M:%S.%f"), _V)),
    _file("slashes, year first", _table(_written("%Y/%m/%d %H:%M:%S.%f"), _V)),
    _file("ISO 8601 with a zone", _table(_written("%Y-%m-%dT%H:%M:%S.%f+01:00"), _V)),
    _file("date and clock apart", _table(_written("%d/%m/%Y,%H:%M:%S.%f"), _V, head="Date,Time,EGT 1 (degC)")),
    _file("midnight, a clock alone", _table(_written("%H:%M:%S.%f", _NIGHT), _V)),
    _file("midnight, points", _table(_written("%d.%m.%Y %H:%M:%S.%f", _NIGHT), _V)),
    _file("midnight, either order", _table(_written("%d/%m/%Y %H:%M:%S.%f", _NIGHT), _V), r"mapping\.date_order"),
    _file("midnight, as was said", _table(_written("%d/%m/%Y %H:%M:%S.%f", _NIGHT), _V), date_order="day_first"),
    _file("midnight, a day above twelve", _table(_written("%m/%d/%Y %H:%M:%S.%f", _NIGHT.replace(day=14)), _V)),
    _file(
        "twelve hours without AM", _table(_written("%I:%M:%S.%f", _NIGHT.replace(hour=12)), _V), "the time goes back"
    ),
    _file("a clock that was set back", _table(_S[:60] + _S[40:100], _V), "the time goes back"),
    _file("newest first", _PLAIN.splitlines()[0] + "\n" + "\n".join(reversed(_ONE_BY_ONE.splitlines()))),
    # stamps that repeat
    _file("two records a second", _table(_WHOLE, _V)),
    _file("two a second, begun within one", _table([*_WHOLE[1:], "14:00:30"], _V, head="time,EGT 1 (degC)")),
    _file("stamps of whole seconds in numbers", _table([f"{int(t)}" for t in SECONDS], _V)),
    _file("half minutes", _table([m[:-2] + ("00" if int(m[-2:]) < 30 else "30") for m in _WHOLE], _V), "the same time"),
    _file("minutes alone", _table([m[:5] for m in _WHOLE], _V), "several records carry the same time"),
    _file("one stamp for all", _table(["13:59:30"] * _N, _V), "several records carry the same time"),
    _file("a clock that stood", _table(_S[:40] + ["20"] * 40 + _S[80:], _V), "several records carry the same time"),
    # units of time
    _file("milliseconds", _table([f"{1000 * t:g}" for t in SECONDS], _V, head="time (ms),EGT 1 (degC)")),
    _file("minutes", _table([f"{t / 60:.6f}" for t in SECONDS], _V, head="time [min],EGT 1 (degC)"), within=1e-4),
    _file("milliseconds unsaid", _table([f"{1000 * t:g}" for t in SECONDS], _V, head="time,EGT 1 (degC)"), "time_unit"),
    _file(
        "milliseconds, as was said",
        _table([f"{1000 * t:g}" for t in SECONDS], _V, head="time,EGT 1 (degC)"),
        time_unit="ms",
    ),
    _file(
        "days of a spreadsheet",
        _table([f"{46086 + t / 86400:.9f}" for t in SECONDS], _V, head="time,EGT (degC)"),
        "time_unit",
    ),
    _file("numbered rows, no time", _table([str(i) for i in range(_N)], _V, head="No,EGT 1 (degC)"), r"mapping\.time"),
    # headings and units
    _file("a row of units", _UNITS.format("s;°C;1/min")),
    _file("a row of units in brackets", _UNITS.format("[s];[degC];[rpm]")),
    _file("units above the names", "s,degC\ntime,EGT 1\n" + _ONE_BY_ONE),
    _file("units behind each number", _table(_S, [f"{v} °C" for v in _V], head="time,EGT 1")),
    _file("a unit without brackets", _table(_S, _V, head="time s,EGT 1 °C")),
    _file(
        "words above the table", "made by,nobody\nserial,abc\n\n" + _table(_S, _V, head="time (s),EGT 1 (degC),") + "\n"
    ),
    _file("strokes between fields", _table(_S, _V, "|")),
    _file("a word at the end", _PLAIN + "end of record\n", "row 122, column 'time"),
    _file("a second log below the first", _PLAIN + _PLAIN, "the time goes back"),
    _file("headings once more in the middle", _with_lines("time (s),EGT 1 (degC)\n")),
    _file("headings and units once more", _with_lines("time;EGT 1;rpm\n s;°C;1/min\n", _UNITS.format("s;°C;1/min"))),
    _file("units and headings once more", _with_lines("s,degC\ntime,EGT 1\n", "s,degC\ntime,EGT 1\n" + _ONE_BY_ONE)),
    _file("headings twice at once", "time,EGT 1\ntime,EGT 1\ns,degC\n" + _ONE_BY_ONE),
    _file("comments between and below", _with_lines("# leaning, slowly, from here\n") + "# end\n"),
    _file("cut off inside its last row", _PLAIN + "60"),
    _file("cut off inside its last reading", _THREE + "60,70"),
    _file("no headings", _ONE_BY_ONE, "no line of headings"),
    _file("no exhaust", _PLAIN.replace("EGT 1", "oil"), "No column looks like an exhaust"),
    # spreadsheets
    Ugly("a workbook", _xlsx({"sweep": _ROWS, "empty": []})),
    Ugly("a workbook with two tables", _xlsx({"one": _ROWS, "two": _ROWS}), "should hold one table"),
    Ugly("an open document", _ods(_ROWS)),
    Ugly("a packed file that is none", _sheet(lambda packed: packed.writestr("a.txt", "b")), "no spreadsheet"),
    Ugly("a packed file cut short", _xlsx({"sweep": _ROWS})[:900], "no spreadsheet"),
    Ugly("a small file that unpacks to much", _sheet(lambda p: p.writestr("a", bytes(80 << 20))), "no spreadsheet"),
    Ugly("a small file with billions of cells", _xlsx({"sweep": _ROWS}, last="XFD1048576"), "or it is too large"),
]
"""Every file."""
