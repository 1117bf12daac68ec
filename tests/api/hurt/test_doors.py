"""Every door that takes something in, sent what hurts: refused at once, in little memory, while others are answered."""

import json
import time
from collections.abc import Callable, Iterator
from typing import Any
from urllib.parse import quote

import pytest

from tests.api.hurt.doors import Door, Hurt, listening

_WORK, _OTHERS_WAIT, _MEBIBYTES = 0.5, 0.25, 400.0
"""The most a body may cost. Times are parts of what the standard library takes to read names that fill a body."""

_LARGEST = 16 * 2**20
"""Bytes a body may have unless it is set otherwise: every one here is as large as it may be, or as it needs to be."""

_JSON = "application/json"
_FORM = "application/x-www-form-urlencoded"
_PARTS = "multipart/form-data; boundary=b"
_AT = "/api/v1/installations"
_AIR = {"air_temperature": {"value": 68, "unit": "degF"}, "pressure": {"value": 29.9, "unit": "inHg"}}
_HEAD = "time,EGT 1 (degF)\n"

type _Sent = tuple[str, str, str, Callable[[], bytes]]


def _keys(most: int) -> bytes:
    """Names of five characters, all different, as many as there is room for."""
    return b"{" + b",".join(b'"%05x":0' % i for i in range(most // 10)) + b"}"


def _filled(around: bytes, one: bytes, most: int = _LARGEST) -> bytes:
    """The one thing over and over in the place of an @."""
    before, after = around.split(b"@")
    return before + one * ((most - len(around) - 100) // len(one)) + after


def _parcel(**contents: Any) -> bytes:
    inner = {"created_at": "2026-05-01T10:30:00Z", "installation": {}, "entries": [], "notes": []} | contents
    outer = {"format": "taperwise installation", "version": 1, "entries": 0, "seal": "0" * 64, "contents": inner}
    return json.dumps(outer, separators=(",", ":")).encode()


def _traced(csv: str) -> bytes:
    return json.dumps(_AIR | {"trace": {"csv": csv}}).encode()


def _part(name: str, body: bytes, filename: str = "; filename=x") -> bytes:
    return b'--b\r\nContent-Disposition: form-data; name="%s"%s\r\n\r\n%s\r\n--b--\r\n' % (
        name.encode(), filename.encode(), body,
    )  # fmt: skip


_LONG = 11_000_000
"""Characters of a trace, not far below the most."""

_BODIES: dict[str, _Sent] = {
    "names": ("POST", _AT, _JSON, lambda: _keys(_LARGEST)),
    "names in a list": ("POST", _AT, _JSON, lambda: b'{"needles":[' + _keys(_LARGEST - 100) + b"]}"),
    "names in units": ("PUT", f"{_AT}/1/units", _JSON, lambda: _keys(_LARGEST)),
    "names in a parcel": ("POST", f"{_AT}/import", _JSON, lambda: _keys(9_000_000)),
    "names in its document": (
        "POST", f"{_AT}/import", _JSON, lambda: _parcel(installation={str(i): 0 for i in range(900_000)}),
    ),
    "names in its entries": (
        "POST", f"{_AT}/import", _JSON, lambda: _parcel(entries=[{str(i): 0 for i in range(90)}] * 9_999),
    ),
    "noughts in its entries": ("POST", f"{_AT}/import", _JSON, lambda: _parcel(entries=[0] * 900_000)),
    "noughts in its document": (
        "POST", f"{_AT}/import", _JSON, lambda: _parcel(installation={"needles": [0] * 900_000}),
    ),
    "noughts": ("POST", _AT, _JSON, lambda: _filled(b'{"needles":[@0]}', b"0,")),
    "objects": ("POST", _AT, _JSON, lambda: _filled(b'{"needles":[@{}]}', b"{},")),
    "texts": ("POST", _AT, _JSON, lambda: _filled(b'{"needles":[@0]}', b'"",')),
    "texts without commas": ("POST", _AT, _JSON, lambda: _filled(b"[,@]", b'""')),
    "quotes in a text": ("POST", _AT, _JSON, lambda: _filled(b'{"name":"@"}', b'\\"')),
    "objects in objects": ("POST", _AT, _JSON, lambda: _filled(b"@", b'{"a":')),
    "lists in lists": ("POST", f"{_AT}/import", _JSON, lambda: _filled(b"@", b"[")),
    "one endless line": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced("x" * _LONG)),
    "one endless line of headings": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced("ab," * (_LONG // 3))),
    "a heading and an endless line": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced(_HEAD + "1" * _LONG)),
    "one heading and an endless line": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced("x\n" + "1," * (_LONG // 2))),
    "a quoted field of 200 kB": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced(_HEAD + f'1,"{"x" * 200_000}"\n')),
    "a quoted field over many lines": (
        "POST", f"{_AT}/1/runs", _JSON, lambda: _traced(_HEAD + '1,"' + "x\n" * 100_000 + '"\n'),
    ),
    "an unclosed quote": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced(_HEAD + '1,"2\n' + "1,2\n" * 50_000)),
    "an unclosed quote at the end": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced(_HEAD + "1,2\n" * 50 + '1,"2\n')),
    "blank lines": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced(_HEAD + "\n" * _LONG)),
    "line separators": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced(_HEAD + "\u2028" * 2_000_000)),
    "columns": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced("ab," * 1_000 + "\n" + "1,2\n" * 190_000)),
    "rows by columns": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced("ab," * 190 + "\n" + "1,2\n" * 190_000)),
    "brackets in a heading": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced(f"time,{'(' * 19_000}\n1,2\n")),
    "a clock of many hours": ("POST", f"{_AT}/1/runs", _JSON, lambda: _traced(_HEAD + "9" * 5_000 + ":1:1,900\n")),
    "fields of a form": ("POST", "/installations/new", _FORM, lambda: _filled(b"@", b"a&")),
    "fields of a form without a name": ("POST", "/installations/new", _FORM, lambda: _filled(b"@", b"&")),
    "fields of a form apart by ;": ("POST", "/installations/new", _FORM, lambda: _filled(b"@", b"a;")),
    "fields of the sign-in": ("POST", "/sign-in", _FORM, lambda: _filled(b"@", b"a&")),
    "one field of a form": ("POST", "/sign-in", _FORM, lambda: _filled(b"name=@", b"%41")),
    "headers of a part": ("POST", "/installations/import", _PARTS, lambda: _filled(b"--b\r\n@", b"a: b\r\n")),
    "parts": (
        "POST", "/installations/import", _PARTS,
        lambda: _filled(b"@--b--", b'--b\r\nContent-Disposition: form-data; name="f"\r\n\r\n\r\n'),
    ),
    "what looks like the end of a part": (
        "POST", "/installations/import", _PARTS, lambda: _part("file", b"\r\n--" * 3_000_000),
    ),
    "a file of names": ("POST", "/installations/import", _PARTS, lambda: _part("file", _keys(9_000_000))),
    "a file of noughts": (
        "POST", "/installations/import", _PARTS, lambda: _part("file", _parcel(entries=[0] * 900_000)),
    ),
    "a file of an endless line": ("POST", "/installations/1/run", _PARTS, lambda: _part("trace", b"x" * _LONG)),
    "a file that is no text": ("POST", "/installations/1/run", _PARTS, lambda: _part("trace", b"\xff" * _LONG)),
}  # fmt: skip


@pytest.fixture(scope="module")
def door(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Door]:
    """A service in a process of its own, with an installation."""
    with listening(tmp_path_factory.mktemp("doors")) as served:
        needle = {"label": "a", "taper_slope": {"value": 30, "unit": "mm/m"}}
        made = served.ask("POST", _AT, json.dumps({"needles": [needle]}).encode(), content_type=_JSON)
        assert made[0] == 201
        yield served


def _yardstick() -> float:
    """Processor time of the standard library for a body full of names [s]."""
    body = _keys(_LARGEST)
    begun = time.process_time()
    json.loads(body)
    return time.process_time() - begun


def _least(door: Door, sent: _Sent) -> tuple[Hurt, float, float]:
    """The least of three tries, each beside its own yardstick: what it came to, its work and the others' waiting."""
    method, path, kind, body = sent
    tries: list[tuple[Hurt, float, float]] = []
    for _ in range(3):
        peer = _yardstick()
        hurt = door.hurt(method, path, body(), content_type=kind)
        tries.append((hurt, hurt.worked / peer, hurt.others_waited / peer))
        if tries[-1][1] < _WORK and tries[-1][2] < _OTHERS_WAIT:
            break
    return min(tries, key=lambda each: max(each[1] / _WORK, each[2] / _OTHERS_WAIT))


@pytest.mark.slow
@pytest.mark.parametrize("what", _BODIES)
def test_what_hurts_is_refused_at_once(door: Door, what: str) -> None:
    """With less work than reading it would take, in a few times its own size, and nobody else waits for long."""
    hurt, work, others = _least(door, _BODIES[what])
    assert hurt.status in (400, 413, 422), hurt
    assert len(hurt.text) < 300_000
    assert work < _WORK, hurt
    assert others < _OTHERS_WAIT, hurt
    assert hurt.mebibytes < _MEBIBYTES, hurt


_FIELDS = {
    "5,000 digits": "needles.{}.label".format("9" * 5_000),
    "superscript": "needles.².label",
    "circled": "needles.⑤.label",
    "arabic": "needles.٥.label",
    "full width": "needles.５.label",
    "noughts before": "needles.00.label",
    "sign": "needles.+1.label",
    "blank": "needles. 1.label",
    "no row": "needles",
    "no number": "needles.x.label",
    "row 24": "needles.24.label",
    "name below a value": "name.x",
    "deep": "name" + ".a" * 100_000,
    "superscript elsewhere": "engine.²",
    "circled elsewhere": "targets.⑤",
}


@pytest.mark.parametrize("what", _FIELDS)
def test_a_field_that_no_form_has_is_named(door: Door, what: str) -> None:
    """Where digits that are none, or far too many, stand for a row, and everywhere else."""
    good = {"name": "a kite", "needles.0.label": "a", "needles.0.taper_slope.value": "30",
            "needles.0.taper_slope.unit": "mm/m", "client_id": "0123456789"}  # fmt: skip
    sent = "&".join(f"{quote(name)}={quote(value)}" for name, value in [*good.items(), (_FIELDS[what], "1")])
    status, text = door.ask("POST", "/installations/new", sent.encode(), content_type=_FORM)
    assert status == 422, text[:500]
    assert _FIELDS[what][:60] in text


@pytest.mark.parametrize("address", ["settings", "run", "adjust", "acknowledge", "notes", "advisers", "start-from"])
def test_no_form_fails_at_a_row(door: Door, address: str) -> None:
    """Whatever form it is sent to."""
    for part in ("²", "⑤", "9" * 5_000, "0.0.0"):
        for first in ("needles", "temperature", "air_temperature", "highest", "text", "turns", "cause", "time"):
            sent = f"{first}.{quote(part)}=1&{first}=2".encode()
            status, text = door.ask("POST", f"/installations/1/{address}", sent, content_type=_FORM)
            assert status < 500, (address, first, part[:10], text[:300])
