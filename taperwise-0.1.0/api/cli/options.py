"""Options that stand for fields of a document: what is typed, where it goes, and how a refusal calls it."""

import inspect
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import wraps
from types import MappingProxyType
from typing import Annotated, Any, Literal

import typer

from taperwise.api.cli.context import quantity
from taperwise.api.core.validation import RefusedError
from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.api.schemas.units import Units
from taperwise.shared.errors import InvalidValueError, TaperwiseError
from taperwise.shared.units import KINDS

__all__ = ["RUN", "SET_UP", "Field", "as_typed", "document_of", "with_options"]


@dataclass(frozen=True)
class Field:
    """An option that stands for a field.

    Parameters
    ----------
    option : str
        As it is typed, with its dashes.
    path : str
        Dotted name of the field in the document.
    help : str
    kind : str
        Key of `taperwise.shared.units.KINDS`; empty for text and numbers.
    shape : {"one", "range", "number", "text"}
    """

    option: str
    path: str
    help: str
    kind: str = ""
    shape: Literal["one", "range", "number", "text"] = "one"

    @property
    def parameter(self) -> str:
        """Its name as a parameter."""
        return self.option.removeprefix("--").replace("-", "_")

    def value(self, text: str, units: Units) -> Any:
        """What is typed, as the document has it.

        Raises
        ------
        InvalidValueError
            If there is no number, or no range, in it.
        """
        if self.shape == "text":
            return text
        if self.shape == "number":
            return _number(self.option, text)
        unit = getattr(units, self.kind, KINDS[self.kind].units[0])
        if self.shape == "one":
            return quantity(self.option, self.kind, text, unit)
        low, between, high = text.partition(" to ")
        if not between:
            raise InvalidValueError(
                "a range has a low and a high end", field=self.option, value=text, cure='Write for example "70 to 130".'
            )
        top = quantity(self.option, self.kind, high, unit)
        return {"low": quantity(self.option, self.kind, low, top["unit"]), "high": top}


def _number(option: str, text: str) -> float | int:
    try:
        return int(text) if text.strip().lstrip("+-").isdigit() else float(text.replace(",", "."))
    except ValueError:
        raise InvalidValueError("this is no number", field=option, value=text, cure='Write for example "4".') from None


def _observed() -> Iterator[Field]:
    """Every quantity that a run may show; what is read or judged otherwise has options of its own."""
    for each in OBSERVATIONS:
        if each.kind and each.name != "egt_rise":
            option = "--" + each.name.replace(".", "-").replace("_", "-").replace("relative-", "")
            label = each.label or each.words
            yield Field(option, each.name, f"{label[0].upper()}{label[1:]}.", each.kind)


RUN = (
    Field("--air", "air_temperature", 'Air temperature, "68" or "20 °C".', "temperature"),
    Field("--altimeter", "altimeter_setting", 'Altimeter setting, "29.98 inHg".', "pressure"),
    Field("--pressure", "pressure", "Static pressure at the field, instead of an altimeter setting.", "pressure"),
    Field("--elevation", "elevation", "Elevation of the field, if another than in the set-up.", "elevation"),
    *_observed(),
    Field("--sureness", "sureness", "How sure you are: sure, unsure or guess.", shape="text"),
    Field("--time", "time", "When it was, with offset: 2026-05-10T18:30:00+02:00. [default: now]", shape="text"),
)
"""Options of a run but for those of EGT rise, idle judgement and logger file."""

_BODY = {
    "bore": "Bore of the body.",
    "slide_stroke": "Travel of the slide from closed to full throttle.",
    "idle_opening": "Travel of the slide at the idle stop.",
    "screw_pitch": "Needle movement per turn of the holder.",
    "idle_stop_pitch": "Slide movement per turn of the idle stop screw.",
    "orifice_diameter": "Diameter of the fuel orifice.",
    "needle_diameter": "Diameter of the round part of the needle.",
    "mark_to_orifice": "Taper past the orifice with the slide closed and the mark at its edge.",
}
SET_UP = (
    Field("--elevation", "elevation", 'Elevation of the field, "650 ft".', "elevation"),
    Field("--coldest", "coldest_temperature", "Air on the coldest day this aeroplane will meet.", "temperature"),
    Field("--fuel", "fuel", "avgas, mogas or mogas_e10.", shape="text"),
    *(Field("--" + name.replace("_", "-"), f"throttle_body.{name}", words, "length") for name, words in _BODY.items()),
    Field("--lean-direction", "throttle_body.lean_direction", "clockwise or counter_clockwise.", shape="text"),
    Field("--faster-direction", "throttle_body.faster_direction", "clockwise or counter_clockwise.", shape="text"),
    Field("--displacement", "engine.displacement", 'Displacement, "2200 cc".', "volume"),
    Field("--cylinders", "engine.cylinders", "Number of cylinders.", shape="number"),
    Field("--rated-rpm", "engine.rated_rpm", "Rated speed.", "rpm"),
    Field("--egt-probes", "engine.egt_probes", "Cylinders with an EGT probe.", shape="number"),
    Field("--cooling", "engine.cooling", "air or liquid.", shape="text"),
    Field("--target-rise", "targets.rise", 'EGT rise in target, "70 to 130".', "temperature_rise", "range"),
    Field("--target-idle-rpm", "targets.idle_rpm", 'Idle speed in target, "700 to 900".', "rpm", "range"),
    Field("--target-idle-rise", "targets.idle_rise", "Rise of idle speed in target.", "rpm_rise", "range"),
    Field("--target-static-rpm", "targets.static_rpm", "Static speed in target.", "rpm", "range"),
    Field("--limit-cht", "watch.cht", "Engine limit: cylinder head temperature.", "head_temperature"),
    Field("--limit-egt", "watch.egt", "Engine limit: exhaust gas temperature.", "exhaust_temperature"),
    Field("--limit-rpm", "watch.rpm", "Engine limit: speed.", "rpm"),
    Field("--quantum-turns", "limits.quantum_turns", "Step limit: smallest step, in turns.", shape="number"),
    Field("--largest-turns", "limits.largest_turns", "Step limit: largest step, in turns.", shape="number"),
    Field("--lean-chance", "limits.lean_chance", "Step limit: highest chance of lean of peak.", shape="number"),
    Field("--confirm-chance", "limits.confirm_chance", "Chance from which a stage is confirmed.", shape="number"),
)
"""Options of a set-up but for name and needles."""


def document_of(given: Mapping[Field, str], units: Units, document: dict[str, Any] | None = None) -> dict[str, Any]:
    """The document that options stand for, laid over another one if given.

    Raises
    ------
    InvalidValueError
        If a value cannot be read.
    """
    made = {} if document is None else document
    for field, text in given.items():
        *above, last = field.path.split(".")
        place = made
        for name in above:
            place = place.setdefault(name, {})
        place[last] = field.value(text, units)
    return made


def with_options(fields: Sequence[Field]) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command an option for each field; it gets those that were typed as ``given``."""

    def decorated(command: Callable[..., None]) -> Callable[..., None]:
        known = inspect.signature(command, eval_str=True)
        own = [each for each in known.parameters.values() if each.name != "given"]
        more = [
            inspect.Parameter(
                field.parameter, inspect.Parameter.KEYWORD_ONLY, default=None,
                annotation=Annotated[str | None, typer.Option(field.option, help=field.help)],
            )
            for field in fields
        ]  # fmt: skip

        @wraps(command)
        def called(**everything: Any) -> None:
            typed = {field: everything.pop(field.parameter, None) for field in fields}
            command(**everything, given={field: text for field, text in typed.items() if text is not None})

        plain = [each.replace(kind=inspect.Parameter.KEYWORD_ONLY) for each in own]
        called.__signature__ = known.replace(parameters=[*plain, *more])  # type: ignore[attr-defined]
        called.__annotations__ = {each.name: each.annotation for each in [*plain, *more]}
        return called

    return decorated


@contextmanager
def as_typed(
    fields: Sequence[Field] = (), phrases: Mapping[str, str] = MappingProxyType({}), /, **others: str
) -> Iterator[None]:
    """Call fields in refusals as they are typed.

    Parameters
    ----------
    fields : sequence of Field
    phrases : mapping of str to str
        Cures that are another one here.
    **others
        Options by the name of their field, ``__`` for a dot.
    """
    names = {field.path: field.option for field in fields} | {
        name.replace("__", "."): option for name, option in others.items()
    }
    try:
        yield
    except RefusedError as refused:
        told = [
            one.model_copy(
                update={
                    "field": _option(one.field, names),
                    "message": _spoken(one.message, names),
                    "cure": _spoken(one.cure, names),
                }
            )
            for one in refused.errors
        ]
        raise RefusedError(told) from None
    except TaperwiseError as error:
        error.field, error.cure = _option(error.field, names), _spoken(phrases.get(error.cure, error.cure), names)
        error.message = _spoken(error.message, names)
        raise


def _option(field: str, names: Mapping[str, str]) -> str:
    parts = field.removeprefix("body.").split(".")
    for count in range(len(parts), 0, -1):
        option = names.get(".".join(parts[:count]))
        if option is not None:
            return option
    return field


def _spoken(text: str, names: Mapping[str, str]) -> str:
    for path in sorted(names, key=len, reverse=True):
        if "_" in path:
            text = text.replace(path, names[path])
    return text
