"""What the next run should read, and what the coldest air asks, in words."""

import pytest

from taperwise.api.presentation.instruction_text import instruction
from taperwise.api.presentation.to_come_text import coldest_air, next_readings
from taperwise.api.schemas.recommendation import ColdestAirOut, ReadingWorthOut
from taperwise.api.schemas.units import PRESETS, Units
from taperwise.model.design import actions
from taperwise.shared.outlook import ColdestAir


def _worth(*rows: tuple[str, bool, float]) -> list[ReadingWorthOut]:
    return [ReadingWorthOut(name=name, usual=usual, runs_saved=saved) for name, usual, saved in rows]


def test_the_best_reading_is_asked_for_and_idle_ones_may_be_left_out() -> None:
    """In the order given, the best first; one that runs have not held is called so."""
    assert next_readings(_worth(("rise", True, 1.24), ("idle_quality", True, 0.5), ("static_rpm", True, 0.0))) == (
        "Most useful in the next run: EGT rise, saves about 1.2 runs. You may leave out: static speed."
    )
    assert next_readings(_worth(("idle_quality", True, 0.5))) == (
        "Most useful in the next run: how it idles, saves about 0.5 runs."
    )
    assert "Your runs have not held this reading so far." in next_readings(_worth(("fuel_flow", False, 0.8)))


def test_the_rise_is_never_left_out() -> None:
    """It shows full throttle running lean, whatever it saves."""
    told = next_readings(_worth(("idle_quality", True, 0.9), ("static_rpm", True, 0.0), ("rise", True, 0.0)))
    assert "leave out: static speed." in told
    assert "EGT" not in told


@pytest.mark.parametrize("rows", [(), (("rise", True, 0.2), ("static_rpm", True, 0.0))])
def test_nothing_is_said_where_nothing_is_gained(rows: tuple[tuple[str, bool, float], ...]) -> None:
    """No reading that saves a third of a run: then none is asked for, and none given up."""
    assert next_readings(_worth(*rows)) == ""


@pytest.mark.parametrize(
    ("units", "room", "said"),
    [
        ("fahrenheit", True, "99 °F of rise today is about 45 °F at 14 °F. To stay within the lean limit then, full "
                             "throttle needs at least 108 °F today."),
        ("celsius", True, "55 °C of rise today is about 25 °C at -10 °C. To stay within the lean limit then, full "
                          "throttle needs at least 60 °C today."),
        ("fahrenheit", False, "Your target range does not reach that far."),
    ],
)  # fmt: skip
def test_the_coldest_air_in_the_owners_units(units: str, room: bool, said: str) -> None:
    """Worked out by hand: 263.15 K, and rises of 55, 25 and 60 K."""
    told = ColdestAirOut.of(ColdestAir(263.15, 55.0, 25.0, 60.0, 0.1, room), Units.model_validate(PRESETS[units]))
    assert said in coldest_air(told)


def test_an_accepted_setting_is_not_called_confirmed() -> None:
    """The words of a tuned engine say that all stages are confirmed; these say that they are not."""
    confirmed, accepted = (instruction(actions.keep(), Units(), accepted=x) for x in (False, True))
    assert "are confirmed" in confirmed
    assert "you accepted this setting. It is not confirmed." in accepted
