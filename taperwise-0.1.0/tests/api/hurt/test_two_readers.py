"""What is read in two places is read alike in both, or refused: numbers of a form, an address, a command, JSON."""

import contextlib

from hypothesis import given
from hypothesis import strategies as st
from pydantic import TypeAdapter, ValidationError

from taperwise.api.cli.context import quantity
from taperwise.api.core.json_body import BodyError, parse
from taperwise.api.web.form_data import Typed
from taperwise.api.web.whatif import _float
from taperwise.shared.errors import InvalidValueError

_QUERY = TypeAdapter(float)
"""How the framework reads a number in an address."""

_NUMERIC = st.text(st.sampled_from("0123456789+-.,eE_ xnaif٣३３²½\u00a0\u2212\ufeff\x00"), max_size=12)
"""Digits of several scripts (Unicode 16, general categories Nd and No), signs, blanks, letters that numbers have."""


def _read(text: str) -> float | None:
    """As JSON and the address of the API have it, a decimal comma aside."""
    try:
        return _QUERY.validate_python(text.strip().replace(",", "."))
    except ValidationError:
        return None


@given(_NUMERIC)
def test_a_page_and_the_api_read_a_number_alike(text: str) -> None:
    """A page takes no number that the API refuses, and none as another."""
    with contextlib.suppress(InvalidValueError):
        found = _float("turns", Typed({"turns": text}))
        assert found is None or found == _read(text)


@given(_NUMERIC)
def test_a_form_and_json_read_a_number_alike(text: str) -> None:
    """A number of a form is the number that JSON has for it; the rest stays text, and is refused as no number."""
    found = Typed({"rise.value": text}).document("rise").get("rise", {}).get("value")
    if isinstance(found, float | int):
        assert found == _read(text)


@given(_NUMERIC)
def test_a_command_and_a_form_read_a_number_alike(text: str) -> None:
    """What a command takes as a number, a form takes as the same one."""
    with contextlib.suppress(InvalidValueError):
        found = quantity("rise", "temperature_rise", text, "delta_degF")
        typed = (
            Typed({"rise.value": text.removesuffix(str(found["unit"]))}).document("rise").get("rise", {}).get("value")
        )
        if found["unit"] == "delta_degF":
            assert found["value"] == typed


@given(st.binary(max_size=40))
def test_a_body_is_one_document_or_none(body: bytes) -> None:
    """What is read with a byte order mark is what is read without; what is read once is read the same again."""
    with contextlib.suppress(BodyError):
        found = parse(body)
        assert parse(body) == found
        if not body.startswith(b"\xef\xbb\xbf"):
            assert parse(b"\xef\xbb\xbf" + body) == found
