"""What somebody typed into a form, and the document it stands for: the same that the JSON API takes."""

import base64
import re
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import Depends, Request
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile

from taperwise.api.core.validation import RefusedError
from taperwise.api.core.validation_errors import FieldError, shown
from taperwise.api.presentation.digits import number
from taperwise.api.presentation.turns_text import turns_in
from taperwise.api.traces.file_text import text_of
from taperwise.api.web.csrf import MOST_FIELDS

__all__ = ["NUMBER", "Form", "Typed", "flat", "no_field", "row_of"]

NUMBER = re.compile(r"[+-]?([0-9]+([.,][0-9]*)?|[.,][0-9]+)")
"""A number as a form takes it; digits of other scripts are none, as in JSON."""

_ROW = re.compile("0|[1-9][0-9]?")  # a longer one is no row of any form
_DEEPEST = 6  # parts of a field's name; none that is known has as many
_NUMBERS = ("value", "cylinders", "egt_probes")
_TURNS = ("turns", "turns_from_mark")


@dataclass(frozen=True)
class Typed:
    """Text of every field by its dotted name; of fields given twice, the last."""

    raw: dict[str, str]

    def get(self, name: str, default: str = "") -> str:
        """What was typed, without space around it."""
        return self.raw.get(name, default).strip()

    def document(self, *names: str) -> dict[str, Any]:
        """The fields under these first names as a nested document; what was left blank is left out.

        A quantity is blank when its number is: its unit alone says nothing. Numbers may carry a decimal comma.

        Raises
        ------
        RefusedError
            If a field stands below one that has a value of its own.
        """
        tree: dict[str, Any] = {}
        for name in self.raw:
            path, text = name.split(".", _DEEPEST), self.get(name)
            lone_unit = path[-1] == "unit" and not self.get(".".join([*path[:-1], "value"]))
            if path[0] in names and text and not lone_unit:
                _put(tree, name, path, _read(path[-1], text))
        return {name: _listed(value) for name, value in tree.items()}


def _read(name: str, text: str) -> float | int | str:
    """What a field of that name holds: a number, a turn, or its text."""
    if name in _TURNS:
        turns = turns_in(text)
        return text if turns is None else turns
    return _number(text) if name in _NUMBERS else text


def _number(text: str) -> float | int | str:
    """A number where it is one; else the text, which is refused as no number further on."""
    if not NUMBER.fullmatch(text):
        return text
    plain = text.replace(",", ".")
    return float(plain) if "." in plain or len(plain) > 15 else int(plain)


def _put(tree: dict[str, Any], name: str, path: list[str], value: Any) -> None:
    for part in path[:-1]:
        tree = tree.setdefault(part, {})
        if not isinstance(tree, dict):
            raise no_field(name)
    tree[path[-1]] = value


def no_field(name: str) -> RefusedError:
    """The refusal of a field that no form of ours has."""
    cure = "Open the page again and fill the form in there."
    return RefusedError([FieldError(field=shown(name), value="", message="There is no such field", cure=cure)])


def row_of(part: str) -> int | None:
    """The row that a part of a field's name stands for; None where it stands for none."""
    return int(part) if _ROW.fullmatch(part) else None


def _listed(value: Any) -> Any:
    """Branches numbered 0, 1, … become lists."""
    if not isinstance(value, dict):
        return value
    inner = {name: _listed(below) for name, below in value.items()}
    if inner and all(row_of(name) is not None for name in inner):
        return [inner[name] for name in sorted(inner, key=int)]
    return inner


async def _typed(request: Request) -> Typed:
    found: dict[str, str] = {}
    async with request.form(max_fields=MOST_FIELDS, max_files=2, max_part_size=262_144) as form:
        for name, value in form.multi_items():
            if isinstance(value, UploadFile):
                sent = await value.read()
                if name == "photo":  # a picture, not text
                    found[name] = base64.b64encode(sent).decode()
                    continue
                found[name] = await run_in_threadpool(text_of, sent, name, shown(value.filename or "a file"))
            else:
                found[name] = value
    return Typed(found)


Form = Annotated[Typed, Depends(_typed)]


def flat(name: str, value: Any) -> dict[str, str]:
    """A part of a document as the fields of a form that stand for it, by name."""
    if isinstance(value, dict):
        return {k: v for inner, below in value.items() for k, v in flat(f"{name}.{inner}", below).items()}
    return {name: number(value, ".10g") if isinstance(value, float) else str(value)}
