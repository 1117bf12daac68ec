import dataclasses
from typing import Any

import pytest

from taperwise.shared import errors
from taperwise.shared.errors import InvalidValueError, OutOfRangeError, TaperwiseError, UnknownNeedleError
from taperwise.shared.records import ChangeNeedle, Installation, Needle, Targets, ThrottleBody, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air, Run
from tests.conftest import NEEDLES


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"needles": (NEEDLES[0], NEEDLES[0]), "fitted_needle": "taper 28.2"}, "same label"),
        ({"needles": (Needle("deep", 0.09),), "fitted_needle": "deep"}, "cut the needle through"),
        ({"throttle_body": ThrottleBody(needle_diameter_m=0.0025, orifice_diameter_m=0.0026)}, None),
    ],
)
def test_installations_that_cannot_be(change: dict[str, Any], words: str | None) -> None:
    """Parts that do not fit together are refused with the field and the cure."""
    parts: dict[str, Any] = {"needles": NEEDLES, "fitted_needle": "taper 30.0"} | change
    if words is None:
        assert Installation(**parts).throttle_body.needle_diameter_m == 0.0025
        return
    with pytest.raises(InvalidValueError, match=words) as caught:
        Installation(**parts)
    assert caught.value.field
    assert caught.value.cure


def test_a_fitted_needle_must_be_on_hand() -> None:
    """The needle said to be fitted is one of those on hand."""
    with pytest.raises(UnknownNeedleError, match="Your needles"):
        Installation(NEEDLES, "none")


@pytest.mark.parametrize(
    "body", [{"orifice_diameter_m": 0.002}, {"idle_opening_m": 0.03}], ids=["orifice", "idle opening"]
)
def test_bodies_that_cannot_be(body: dict[str, float]) -> None:
    """An orifice narrower than its needle and a slide half open at idle are refused."""
    with pytest.raises(InvalidValueError, match="throttle_body"):
        ThrottleBody(**body)


@pytest.mark.parametrize("turns", [2.5, -3.0, float("nan"), float("inf")])
def test_implausible_turns(turns: float) -> None:
    """More than two turns is taken for a slip of the pen, and so is what is no number."""
    for make in (TurnScrew, TurnIdleStop, lambda x: ChangeNeedle("taper 30.0", x)):
        with pytest.raises(OutOfRangeError, match="turns"):
            make(turns)


def test_a_run_holds_something() -> None:
    """A run without any observation is refused."""
    with pytest.raises(InvalidValueError, match="no observation"):
        Run(Air(288.0, 1e5))


def test_a_band_goes_upward() -> None:
    """A band with its ends swapped is refused."""
    with pytest.raises(InvalidValueError, match=r"targets\.idle_rpm"):
        Targets(idle_rpm=(900, 700))


def test_records_do_not_change() -> None:
    """Records are immutable."""
    with pytest.raises(dataclasses.FrozenInstanceError):
        TurnScrew(0.125).turns = 1.0  # type: ignore[misc]


def test_the_tree_in_the_docstring_is_the_tree() -> None:
    """Every error stands in the docstring's drawing and in `__all__`, and nothing else does."""
    drawn = {w for w in (errors.__doc__ or "").replace("─", " ").split() if w.endswith("Error")}
    assert drawn == set(errors.__all__)
    assert all(issubclass(getattr(errors, name), TaperwiseError) for name in errors.__all__)


def test_an_error_names_field_value_and_cure() -> None:
    """The words of an error hold all three, the value shortened."""
    error = InvalidValueError("it is wrong", field="f", value="x" * 500, cure="Mend it.")
    assert str(error).startswith("f: it is wrong (got xxx")
    assert str(error).endswith("Mend it.")
    assert len(str(error)) < 150


_ROW = tuple(Needle(label) for label in "ABC")


@pytest.mark.parametrize(
    ("change", "field", "words"),
    [
        (
            {"needles": (*_ROW[:2], Needle("C", 0.03))},
            "needles.0.taper_slope",
            "has no taper slope, and others have one",
        ),
        (
            {"needles": (Needle("A", 0.03), *_ROW[1:])},
            "needles.1.taper_slope",
            "has no taper slope, and others have one",
        ),
        ({"needles": (Needle("A", 0.03),), "needle_step": 0.02}, "needle_step", "already how far"),
        ({"needles": _ROW, "needle_step": 0.0}, "needle_step", "above 0 %"),
        ({"needles": _ROW, "needle_step": 1.1}, "needle_step", "at most 100 % with 3 needles"),
    ],
)
def test_needles_have_slopes_or_an_order(change: dict[str, Any], field: str, words: str) -> None:
    """A slope for one needle and none for another is refused in words, and so is a spacing beside slopes."""
    with pytest.raises(InvalidValueError, match=words) as caught:
        Installation(**{"fitted_needle": "A"} | change)
    assert caught.value.field == field
    assert "every taper slope" in caught.value.cure or "per cent" in caught.value.cure


def test_needles_by_order_stand_as_they_were_given() -> None:
    """From shallow to steep, whatever their labels; measured ones by their slopes."""
    row = Installation(_ROW[::-1], "A", needle_step=0.02)
    assert row.by_order
    assert [n.label for n in row.shallow_to_steep] == ["C", "B", "A"]
    measured = Installation(NEEDLES[::-1], "taper 30.0")
    assert not measured.by_order
    assert measured.shallow_to_steep == NEEDLES
