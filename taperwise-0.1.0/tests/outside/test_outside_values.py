"""The values from outside agree with one another, and each says where it comes from."""

import json
import math
from pathlib import Path

import pytest
from fluids.geometry import A_partial_circle

from tests.outside.flow import SEGMENTS_MM2, air_flux, choked_ratio, opening_exponent, pressure_exponent, segment_area
from tests.outside.moist_air import MoistAir, by_coolprop, richer_by_humidity, table

_PUBLISHED = json.loads(Path(__file__).with_name("published.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize(("air", "made"), table())
def test_moist_air(air: tuple[float, float, float], made: dict[str, MoistAir]) -> None:
    """The table holds what CoolProp says, and two libraries agree: densities within 0.1 %, dry air within 0.02 %."""
    anew, kept, other = by_coolprop(*air), made["coolprop"], made["psychrolib"]
    assert anew.vapour_share == pytest.approx(kept.vapour_share, rel=1e-5)
    assert anew.humidity_ratio == pytest.approx(kept.humidity_ratio, rel=1e-5)
    assert (anew.density, anew.dry_density) == pytest.approx((kept.density, kept.dry_density), abs=6e-6)
    assert (other.density, other.dry_density) == pytest.approx((kept.density, kept.dry_density), rel=1e-3)
    assert other.dry_share == pytest.approx(kept.dry_share, abs=2e-4)
    assert kept.dry_density / kept.density == pytest.approx(kept.dry_share, abs=1e-5)


def test_hot_humid_air_is_richer() -> None:
    """By head alone humidity adds what vapour takes of the air; by suction less, by half of what lightens it."""
    suction, head = richer_by_humidity(308.15, 0.9, 101_325.0)
    share = by_coolprop(308.15, 0.9, 101_325.0).vapour_share
    assert head == pytest.approx(-math.log(1.0 - share), abs=1e-3)
    lighter = share * (1.0 - 18.015 / 28.965)  # molar masses of water and dry air
    assert suction == pytest.approx(head - 0.5 * lighter, abs=1e-3)


@pytest.mark.parametrize(("size", "area"), SEGMENTS_MM2.items())
def test_segments(size: tuple[float, float], area: float) -> None:
    """Quadrature and `fluids` give the same area, the one in the table."""
    bore, lift = (1e-3 * x for x in size)
    assert 1e6 * segment_area(bore, lift) == pytest.approx(area, rel=5e-6)
    assert segment_area(bore, lift) == pytest.approx(A_partial_circle(bore, lift), rel=1e-8)


def test_opening_exponent() -> None:
    """At small lift the area goes with the lift to 1.5, a parabola's segment, and at half the bore to 4/pi."""
    assert opening_exponent(0.034, 1e-6) == pytest.approx(1.5, abs=1e-4)
    assert opening_exponent(0.034, 0.017) == pytest.approx(1.2732395, rel=1e-6)


def test_flow_is_choked_below_the_ratio() -> None:
    """Less pressure downstream moves no more air once it is choked; before, it does."""
    ratio = choked_ratio()
    assert ratio == pytest.approx(0.5283, abs=1e-4)
    choked = air_flux(101_325.0, (ratio - 0.01) * 101_325.0, 288.15)
    assert air_flux(101_325.0, 20_000.0, 288.15) == choked
    assert air_flux(101_325.0, 80_000.0, 288.15) < 0.9 * choked
    assert pressure_exponent(0.4) == pytest.approx(1.0, abs=1e-6)
    assert pressure_exponent(0.7) > 1.2


def test_every_published_value_says_where_it_comes_from() -> None:
    """Name, unit, meaning, source and a known status; and the two shares of power agree."""
    known = {"read", "calculated", "second-hand", "memory"}
    for value in _PUBLISHED["values"]:
        assert value["status"] in known, value["name"]
        assert value["source"], value["name"]
        assert value["meaning"], value["name"]
    found = {value["name"]: value["value"] for value in _PUBLISHED["values"]}
    assert [14.9 * x for x in found["best_power_fuel_air"]] == pytest.approx(found["best_power_phi"], abs=1e-3)
