"""The forward model's air and openings against libraries and quadrature."""

import math
from dataclasses import replace

import numpy as np
import pytest

from taperwise.model.inference.dataset import settings_of, start_position, throttle_of
from taperwise.model.inference.likelihood import expected_readings
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics.air import STANDARD, Conditions, conditions_of
from taperwise.model.physics.backend import NUMPY
from taperwise.model.physics.mixture import Ends, Unknowns, mixtures
from taperwise.model.physics.needle import fuel_area
from taperwise.model.physics.nominal_values import scales_of
from taperwise.model.physics.priors import from_standard
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air
from tests.outside import flow, moist_air

_BY_SUCTION, _BY_HEAD = 0.5, 1.0  # exponent of density where fuel is drawn by the one or the other alone


@pytest.fixture
def unknowns(installation: Installation, rng: np.random.Generator) -> Unknowns:
    """Some engine."""
    return draw_unknowns(installation, rng)


def _ends(
    installation: Installation, u: Unknowns, conditions: Conditions, exponent: float = _BY_SUCTION, stop: float = 0.0
) -> Ends:
    u = replace(u, density_exponent=np.full((1, 1), exponent))
    start = start_position(installation)
    here = settings_of(installation, [(replace(start, idle_stop_turns=stop), conditions)])
    found = mixtures(u, here, settings_of(installation, [(start, STANDARD)]), throttle_of(installation))
    return Ends(*(float(np.ravel(x)[0]) for x in found))


@pytest.mark.parametrize(("celsius", "humidity"), [(15, 0.9), (25, 0.5), (30, 0.8), (35, 0.9)])
@pytest.mark.parametrize("pascal", [101_325.0, 84_556.0])
def test_humid_air_is_richer(
    installation: Installation, unknowns: Unknowns, celsius: float, humidity: float, pascal: float
) -> None:
    """Phi counts dry air: what humidity adds to ln phi at full throttle, by suction and by head (CoolProp)."""
    kelvin = celsius + 273.15
    theirs = moist_air.richer_by_humidity(kelvin, humidity, pascal)
    for exponent, expected in zip((_BY_SUCTION, _BY_HEAD), theirs, strict=True):
        damp, dry = (
            _ends(installation, unknowns, conditions_of(Air(kelvin, pascal, x)), exponent).full for x in (humidity, 0.0)
        )
        assert damp - dry == pytest.approx(expected, abs=0.0006)


def test_hot_and_humid_is_four_to_five_per_cent_richer(installation: Installation, unknowns: Unknowns) -> None:
    """35 °C at 90 %: +4.2 % by suction to +5.1 % by head (ideal gases; calculated outside the project)."""
    for exponent, expected in ((_BY_SUCTION, 0.042), (_BY_HEAD, 0.051)):
        damp, dry = (
            _ends(installation, unknowns, conditions_of(Air(308.15, 101_325.0, x)), exponent).full for x in (0.9, 0.0)
        )
        assert math.expm1(damp - dry) == pytest.approx(expected, abs=0.0025)


@pytest.mark.parametrize(("kelvin", "exponent"), [(303.15, 0.5), (303.15, 0.75), (258.15, 1.0)])
def test_temperature_acts_with_a_half_at_idle(
    installation: Installation, unknowns: Unknowns, kelvin: float, exponent: float
) -> None:
    """Air flow at idle is close to choked: it goes with the root of density at one pressure (API 520, in `fluids`), and
    the fuel's draught by suction or head does not depend on temperature then.
    """
    warm, cool = (_ends(installation, unknowns, conditions_of(Air(t, 101_325.0)), exponent) for t in (kelvin, 288.15))
    flows = [flow.air_flux(101_325.0, 40_000.0, t) for t in (kelvin, 288.15)]
    assert warm.idle - cool.idle == pytest.approx(-math.log(flows[0] / flows[1]), abs=1e-6)
    # at full throttle the engine draws a volume, whatever it weighs: the exponent of density itself
    assert warm.full - cool.full == pytest.approx(exponent * math.log(kelvin / 288.15), abs=1e-9)


@pytest.mark.parametrize(("head_share", "left"), [(0.5, 0.8), (1.0, 0.5), (0.0, 0.5)])
def test_less_head_is_leaner(installation: Installation, unknowns: Unknowns, head_share: float, left: float) -> None:
    """Fuel goes with the root of suction and head together (Bernoulli): 20 % less head at half the share is −5.3 %."""
    exponent = 0.5 + 0.5 * head_share
    low = _ends(installation, unknowns, STANDARD._replace(ln_head=math.log(left)), exponent).full
    exact = 0.5 * math.log(1.0 - head_share + head_share * left)
    full = _ends(installation, unknowns, STANDARD, exponent).full
    assert low - full == pytest.approx(exact, rel=0.1, abs=1e-9)
    if head_share == 0.5:
        assert math.expm1(low - full) == pytest.approx(-0.053, abs=0.004)


@pytest.mark.parametrize("ratio", [0.4, 0.54, 0.6, 0.66])
def test_idle_air_follows_the_opening_less_than_in_proportion(ratio: float) -> None:
    """Where flow is not choked, more area lets the pressure behind the slide rise: an engine that draws one volume lets
    air follow a power of the area (air flow by API 520, in `fluids`). The prior's nine in ten reach that far.
    """
    step = 1.001
    flux = math.log(flow.air_flux(1e5, 1e5 * ratio * step, 288.15) / flow.air_flux(1e5, 1e5 * ratio, 288.15))
    power = 1.0 / (1.0 - flux / math.log(step))
    low, high = (float(from_standard("opening_share", np.array(z), NUMPY)) for z in (-1.645, 1.645))
    assert low <= power <= high + 0.02


@pytest.mark.parametrize("stop", [-0.5, -0.25, 0.25, 0.5])
def test_the_idle_stop_opens_a_segment(installation: Installation, unknowns: Unknowns, stop: float) -> None:
    """Air at idle goes with the open segment of the bore, by quadrature over its chords (scipy)."""
    body = installation.throttle_body
    lift = body.idle_opening_m + stop * body.idle_stop_pitch_m
    area = flow.segment_area(body.bore_m, lift) / flow.segment_area(body.bore_m, body.idle_opening_m)
    here = _ends(installation, unknowns, STANDARD, stop=stop)
    assert here.opening == pytest.approx(math.log(area), rel=1e-6)


def test_a_quarter_of_the_idle_stop(installation: Installation, rng: np.random.Generator) -> None:
    """A quarter turn on a pitch of 1 mm at 3 mm of 34 mm: −7.8 % of mixture and +48 rpm at 800 (segment areas;
    calculated outside the project), the needle uncovering what its nominal taper does.
    """
    u = draw_unknowns(installation, rng)
    zero = np.zeros((1, 1))
    still = np.zeros_like(u.first)
    u = replace(
        u, offset=zero, idle_rpm=zero, idle_air_power=zero + 0.5, opening_share=zero + 1.0, first=still, second=still
    )
    start, opened = (_ends(installation, u, STANDARD, stop=x) for x in (0.0, 0.25))
    assert math.expm1(opened.idle - start.idle) == pytest.approx(-0.078, abs=0.006)
    scales = scales_of(installation)
    settings = settings_of(installation, [(start_position(installation), STANDARD)])
    speeds = [
        float(
            expected_readings(
                replace(u, idle_gain=1e-9 + zero), Ends(zero, zero, e.opening), settings, scales
            ).idle_rpm[0, 0]
        )
        for e in (start, opened)
    ]
    assert speeds[1] - speeds[0] == pytest.approx(48.0, abs=2.0)
    body = installation.throttle_body
    lengths = body.mark_to_orifice_m + np.array([0.0030, 0.00325])
    fuel = fuel_area(lengths, 0.03, body.orifice_diameter_m, body.needle_diameter_m)
    air = [flow.segment_area(body.bore_m, x) for x in (0.0030, 0.00325)]
    assert opened.idle - start.idle == pytest.approx(math.log(fuel[1] / fuel[0] * air[0] / air[1]), abs=1e-6)
