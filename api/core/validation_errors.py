"""An error of one field in words: the field, the value, the cure."""

import difflib
from typing import Any, get_args

from pydantic import BaseModel, Field

from taperwise.api.schemas.adjustments import AcknowledgeIn, ChangeNeedleIn, ChangePartIn, TurnScrewIn
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.run import RunIn
from taperwise.shared.errors import TaperwiseError

__all__ = ["FieldError", "field_error", "refusal", "shown", "shown_sentence"]

_SHOWN = 80
_LONGEST_NAME = 100
"""Longest name that is compared with the known ones: a body may be one long name."""


class FieldError(BaseModel):
    """One wrong field."""

    field: str = Field(description="Dotted name of the field; empty where no field is wrong.")
    value: str = Field(description="Value that was seen, shortened; empty for none.")
    message: str = Field(description="Problem in words.")
    cure: str = Field(description="Cure in words.")


def shown(value: Any) -> str:
    """A value for an error message: short, and safe to print."""
    text = value if isinstance(value, str) else repr(value)
    text = _printable(text[: 2 * _SHOWN])
    return text if len(text) <= _SHOWN else text[: _SHOWN - 1] + "…"


def shown_sentence(text: str) -> str:
    """A whole sentence, safe to print."""
    return _printable(text)[:1000]


def field_error(error: TaperwiseError) -> FieldError:
    """One of our errors in words."""
    seen = "" if error.value is None else shown(error.value)
    return FieldError(
        field=error.field, value=seen, message=shown_sentence(error.message), cure=shown_sentence(error.cure)
    )


def _printable(text: str) -> str:
    return text.encode("utf-8", "backslashreplace").decode().replace("\x00", "\\x00")


def refusal(e: Any) -> FieldError:
    """One error of the validator in words.

    Parameters
    ----------
    e : dict
        As pydantic gives it; its input is shown shortened or not at all.
    """
    context = e.get("ctx") or {}
    place = _place(e)
    if e["type"] in _KIND_ERRORS:
        return _kind_refusal(e, context, place)
    if "field" in context:
        place.append(str(context["field"]))
    seen = context["seen"] if "seen" in context else "nothing" if e["type"] == "missing" else e.get("input")
    return FieldError(
        field=shown(".".join(place) or "body"),
        value=shown(seen),
        message=shown_sentence(_MESSAGES.get(e["type"], e["msg"])),
        cure=_cure(e, context, place),
    )


_KIND_ERRORS = ("union_tag_invalid", "union_tag_not_found")
_KINDS = {
    "peak", "fell_at_once", "rough_before_peak", "turn_screw", "change_needle", "turn_idle_stop", "change_part",
}  # fmt: skip


def _place(e: Any) -> list[str]:
    """Names of the fields down to the one meant, without where it came in and without kinds of a union."""
    *above, last = [str(x) for x in e["loc"][1:]] or [""]
    kind_is_last = last in _KINDS and e["type"] != "extra_forbidden"
    return [x for x in above if x not in _KINDS] + ([last] if last and not kind_is_last else [])


def _kind_refusal(e: Any, context: Any, place: list[str]) -> FieldError:
    name = str(context["discriminator"]).strip("'")
    seen = e["input"].get(name, "nothing") if isinstance(e["input"], dict) else "nothing"
    tags = context.get("expected_tags")
    return FieldError(
        field=shown(".".join([*place, name])),
        value=shown(seen),
        message=f"Should be one of {tags}" if tags else "The kind is missing",
        cure="Use one of the values named." if tags else f"Add {name}. The OpenAPI page at /docs lists the kinds.",
    )


_MESSAGES = {
    "missing": "This field is needed",
    "extra_forbidden": "There is no such field",
    "model_attributes_type": "This should be a JSON object",
    "model_type": "This should be a JSON object",
}
_CURES = {
    "missing": "Fill in the field.",
    "float_type": "Give a plain number, without quotes.",
    "float_parsing": "Give a plain number.",
    "int_type": "Give a whole number, without quotes.",
    "int_parsing": "Give a whole number.",
    "int_parsing_size": "Give a number within its range.",
    "int_from_float": "Give a whole number.",
    "string_type": "Give text, in quotes.",
    "list_type": "Give a list, in square brackets.",
    "finite_number": "Give a finite number.",
    "greater_than_equal": "Give a number within its range.",
    "less_than_equal": "Give a number within its range.",
    "literal_error": "Use one of the values named.",
    "string_pattern_mismatch": "Use printable characters only.",
    "string_too_long": "Use fewer characters.",
    "string_too_short": "Use more characters.",
    "too_long": "Give fewer items.",
    "too_short": "Give at least one item.",
    "model_attributes_type": "Use curly brackets, with the fields that /docs lists.",
    "model_type": "Use curly brackets, with the fields that /docs lists.",
}


_OF_PATTERNS = {
    r"^[0-9a-f]{64}$": "Give all 64 characters, 0 to 9 and a to f.",
}
"""Cures of texts that are of one form only; any other pattern asks for printable characters."""


def _cure(e: Any, context: Any, place: list[str]) -> str:
    if "cure" in context:
        return str(context["cure"])
    if e["type"] == "extra_forbidden":
        named = bool(place) and place[-1] == str(e["loc"][-1]) and len(place[-1]) <= _LONGEST_NAME  # it may be empty
        near = difflib.get_close_matches(place[-1], _names_at(place[:-1]), n=1) if named else []
        return f"Did you mean {near[0]}?" if near else "Remove the field. The OpenAPI page at /docs lists all fields."
    if context.get("pattern") in _OF_PATTERNS:
        return _OF_PATTERNS[context["pattern"]]
    return _CURES.get(e["type"], "The OpenAPI page at /docs tells which values are possible.")


def _names_at(place: list[str]) -> list[str]:
    """Names known at that place, in any of the bodies the service reads."""
    models: set[type[BaseModel]] = {
        InstallationIn, RunIn, TurnScrewIn, ChangeNeedleIn, ChangePartIn, AcknowledgeIn,
    }  # fmt: skip
    for name in place:
        if not name.isdigit():  # a place in a list has the list's models
            below = [m.model_fields[name].annotation for m in models if name in m.model_fields]
            models = set().union(*(_models(annotation) for annotation in below))
    return sorted(set().union(*(m.model_fields for m in models)))


def _models(annotation: Any) -> set[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return {annotation}
    return set().union(*(_models(a) for a in get_args(annotation)))
