"""Between the form of an adjustment and its document: what is asked, what is missing, what it stands for."""

from typing import Any, NamedTuple

from taperwise.api.core.validation_errors import FieldError, shown
from taperwise.api.presentation.card_text import MISSING
from taperwise.api.presentation.digits import number
from taperwise.api.presentation.turns_text import SIZES, turns_in
from taperwise.api.schemas.adjustments import AdjustmentKinds
from taperwise.api.web.drawings import KeyTurn, key_turn
from taperwise.api.web.form_data import Typed
from taperwise.shared.records import TurnSense

__all__ = ["PARTS", "Way", "document_of", "fields_of", "missing", "ways_of"]

PARTS = (
    ("fuel", "fuel"), ("intake", "intake"), ("air_filter", "air filter"), ("propeller", "propeller"),
    ("exhaust", "exhaust"),
)  # fmt: skip
"""Parts whose change starts the tuning again, in words."""

_FIELDS = {
    "turn_screw": ("kind", "turns", "note", "time"),
    "turn_idle_stop": ("kind", "turns", "note", "time"),
    "change_needle": ("kind", "needle", "turns_from_mark", "note", "time"),
    "change_part": ("kind", "part", "fuel", "note", "time"),
}


class Way(NamedTuple):
    """One of two directions: its sign, the key's sense, what it does, and how it is drawn.

    Sense and drawing are empty where the set-up does not say which way is which.
    """

    sign: str
    sense: str
    effect: str
    drawing: KeyTurn | None


def ways_of(body: Any) -> dict[str, tuple[Way, Way]]:
    """The two directions of each screw, clockwise first where the set-up says which is which.

    Parameters
    ----------
    body : ThrottleBodyIn
    """
    holder = ("-", "leaner", "+", "richer"), body.lean_direction
    stop = ("+", "faster", "-", "slower"), body.faster_direction
    found = {}
    for name, ((sign, effect, other_sign, other), sense) in (("holder", holder), ("stop", stop)):
        if sense is None:
            found[name] = (Way(sign, "", effect, None), Way(other_sign, "", other, None))
            continue
        named = {sense: (sign, effect)}
        both = [
            Way(*_named(each, named, (other_sign, other)), key_turn(0.25, each))
            for each in (TurnSense.CLOCKWISE, TurnSense.COUNTER_CLOCKWISE)
        ]
        found[name] = (both[0], both[1])
    return {"turn_screw": found["holder"], "change_needle": found["holder"], "turn_idle_stop": found["stop"]}


def _named(each: TurnSense, named: dict[str, tuple[str, str]], other: tuple[str, str]) -> tuple[str, str, str]:
    sign, effect = named.get(each.value, other)
    return sign, each.value.replace("_", "-"), effect


def _size(typed: Typed, kind: str) -> str:
    """The size chosen, or the one typed beside *other*."""
    chosen = typed.get(f"{kind}.size")
    return chosen if chosen in SIZES else typed.get(f"{kind}.turns")


def missing(typed: Typed) -> list[FieldError]:
    """Everything the form still lacks, by the names of its fields."""
    kind = typed.get("kind")
    if kind not in _FIELDS:
        return [_lacks("kind")]
    wrong = []
    if kind == "change_needle" and not typed.get("needle"):
        wrong.append(_lacks("needle"))
    if kind == "change_part" and not typed.get("part"):
        wrong.append(_lacks("part"))
    if kind == "change_part" or typed.get("turns") or typed.get("turns_from_mark"):
        return wrong
    size = _size(typed, kind)
    turns = turns_in(size)
    if not size and kind != "change_needle":
        wrong.append(_lacks("turns", f"{kind}.turns"))
    elif size and turns is None:
        wrong.append(_lacks("no_turn", f"{kind}.turns", size))
    needs_way = bool(size) if kind == "change_needle" else True
    signed = turns is not None and (turns == 0 or size[:1] in "+-−")
    if needs_way and not signed and not typed.get(f"{kind}.way"):
        wrong.append(_lacks("way", f"{kind}.way"))
    return wrong


def _lacks(what: str, field: str = "", value: str = "nothing") -> FieldError:
    message, cure = MISSING[what]
    return FieldError(field=field or what, value=shown(value) if value != "nothing" else "", message=message, cure=cure)


def document_of(typed: Typed) -> dict[str, Any]:
    """The adjustment a form stands for: the kind chosen, and the fields that belong to it.

    A turn is given as a size and a way (`way` is ``+`` or ``-``), or signed in `turns` itself.
    """
    kind = typed.get("kind")
    document = typed.document(*_FIELDS.get(kind, ("kind",)))
    if document.get("fuel") and document.get("part") != "fuel":
        del document["fuel"]
    if kind not in _FIELDS or kind == "change_part":
        return document
    size = _size(typed, kind)
    if size:
        turns = turns_in(size)
        away = typed.get(f"{kind}.way") == "-"
        name = "turns_from_mark" if kind == "change_needle" else "turns"
        document[name] = size if turns is None else -abs(turns) if away else turns
    return document


def fields_of(adjustment: AdjustmentKinds) -> dict[str, str]:
    """The form's fields for an adjustment: the other way round from `document_of`."""
    document: dict[str, Any] = adjustment.model_dump(mode="json", exclude_none=True)
    kind = document["kind"]
    found: dict[str, str] = {
        name: str(document[name]) for name in ("kind", "needle", "part", "fuel", "note") if name in document
    }
    turns = document.get("turns", document.get("turns_from_mark"))
    if turns is not None:
        found |= {f"{kind}.turns": number(abs(turns), ".10g"), f"{kind}.way": "-" if turns < 0 else "+"}
    return found
