from dataclasses import replace

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from taperwise.shared.errors import OutOfRangeError, UnitError
from taperwise.shared.units import _SPELLINGS, KINDS, from_si, to_si

# NIST SP 811 (2008), appendix B: conversion factors.
_HAND = [
    ("pressure", 29.92, "inHg", 29.92 * 3386.389),
    ("pressure", 1013.25, "hPa", 101_325.0),
    ("elevation", 1000, "ft", 304.8),
    ("length", 1, "in", 0.0254),
    ("volume", 122, "in**3", 122 * 1.638_706_4e-5),
    ("temperature", 59, "degF", 288.15),
    ("temperature", 15, "degC", 288.15),
    ("temperature_rise", 100, "delta_degF", 100 / 1.8),
    ("taper", 30, "mm/m", 0.03),
    ("fraction", 50, "percent", 0.5),
]


@pytest.mark.parametrize(("kind", "value", "unit", "inside"), _HAND)
def test_against_hand_values(kind: str, value: float, unit: str, inside: float) -> None:
    """Conversions match the factors of NIST SP 811."""
    assert to_si(kind, value, unit) == pytest.approx(inside, rel=2e-7)


def test_a_unit_of_pints_own_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    """One that is not among ours yet converts all the same (NIST SP 811, appendix B: 1 psi is 6,894.757 Pa)."""
    monkeypatch.setitem(KINDS, "pressure", replace(KINDS["pressure"], units=("psi",)))
    assert to_si("pressure", 14.0, "psi") == pytest.approx(14.0 * 6894.757, rel=1e-6)
    assert from_si("pressure", 6894.757, "psi") == pytest.approx(1.0, rel=1e-6)


def test_units_are_pints_own() -> None:
    """Every unit converts to the last digit as with pint's own registry, which knows a thousand more."""
    whole = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    for key, kind in KINDS.items():
        for unit in kind.units:
            there, inside = (_SPELLINGS.get(x, x) or "dimensionless" for x in (unit, kind.si))
            for value in (kind.low, 0.3 * kind.low + 0.7 * kind.high, kind.high):
                shown = from_si(key, value, unit)
                assert shown == float(whole.Quantity(value, inside).to(there).magnitude), (key, unit)
                back = float(f"{whole.Quantity(shown, there).to(inside).magnitude:.10g}")
                assert not kind.low <= back <= kind.high or to_si(key, shown, unit) == back, (key, unit)


@pytest.mark.parametrize("kind", KINDS)
@given(share=st.floats(0.001, 0.999))
def test_there_and_back(kind: str, share: float) -> None:
    """Every unit of every kind comes back as it went."""
    k = KINDS[kind]
    inside = k.low + share * (k.high - k.low)
    for unit in k.units:
        assert to_si(kind, from_si(kind, inside, unit), unit) == pytest.approx(inside, rel=1e-8, abs=1e-9)


@pytest.mark.parametrize(
    ("kind", "unit", "cure"),
    [
        ("temperature_rise", "degF", "write delta_degF"),
        ("temperature_rise", "degC", "write delta_degC"),
        ("temperature", "delta_degC", "write degC"),
        ("pressure", "psi", "Use one of hPa"),
    ],
)
def test_confused_units_are_refused(kind: str, unit: str, cure: str) -> None:
    """A temperature is never taken for a difference, nor the other way round; the cure says what to write."""
    with pytest.raises(UnitError, match=cure):
        to_si(kind, 95, unit, field="egt_rise")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -1.0, 1e9])
def test_implausible_values_are_refused(value: float) -> None:
    """A value that cannot be is named with its field and its plausible range."""
    with pytest.raises(OutOfRangeError, match="egt_rise"):
        to_si("temperature_rise", value, "delta_degF", field="egt_rise")
