"""Quantities as they are sent, in the units used inside."""

import pytest
from pydantic import ValidationError

from taperwise.api.schemas.run import RunIn
from taperwise.shared.runs import RiseSeen

_AIR = {"air_temperature": {"value": 59, "unit": "degF"}, "pressure": {"value": 1013.25, "unit": "hPa"}}


def _run(rise: dict[str, object], seen: str = "peak") -> RunIn:
    return RunIn.model_validate(_AIR | {"egt_rise": {"seen": seen, "rise": rise}})


@pytest.mark.parametrize("seen", ["peak", "rough_before_peak"])
@pytest.mark.parametrize(
    ("value", "unit", "kelvin"),
    # NIST SP 811 (2008), appendix B.8: a difference of 1 °F is 5/9 K; of 1 °C it is 1 K
    [(100, "delta_degF", 55.55556), (55.55556, "delta_degC", 55.55556), (55.55556, "kelvin", 55.55556)],
)
def test_a_rise_is_a_difference(value: float, unit: str, kelvin: float, seen: str) -> None:
    """100 °F of rise is 55.6 K, never the 311 K that a thermometer at 100 °F shows."""
    run = _run({"value": value, "unit": unit}, seen).record()
    assert run.rise is not None
    assert run.rise.seen is RiseSeen(seen)
    assert run.rise.kelvin == pytest.approx(kelvin, rel=1e-6)


def test_air_is_a_temperature() -> None:
    """59 °F is 288.15 K (ISO 2533, standard air at sea level), not a difference of 32.8 K."""
    assert _run({"value": 100, "unit": "delta_degF"}).record().air.temperature_kelvin == pytest.approx(288.15)


@pytest.mark.parametrize("unit", ["degF", "degC"])
def test_a_gauge_reading_is_no_rise(unit: str) -> None:
    """The error says what to write instead."""
    with pytest.raises(ValidationError, match="This unit does not fit a temperature difference"):
        _run({"value": 100, "unit": unit})
