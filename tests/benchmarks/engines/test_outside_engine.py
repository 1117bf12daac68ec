"""The outside family: its physics against libraries and limits known in closed form, and how it is read."""

import ast
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fluids.geometry import A_hollow_cylinder
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from taperwise.shared.records import ChangeNeedle, TurnScrew
from taperwise.shared.runs import Air, RiseSeen
from tests.benchmarks.engines.outside_engine import OutsideEngine, Person, moist
from tests.benchmarks.engines.outside_exhaust import Exhaust
from tests.benchmarks.engines.outside_family import draw_days, draw_outside
from tests.benchmarks.engines.outside_flow import (
    Cone,
    Weather,
    choked_ratio,
    orifice_coefficient,
    orifice_flow,
    segment,
    throttle_flow,
    vapour_share,
)
from tests.benchmarks.engines.policies import fitting_positions
from tests.outside import flow
from tests.outside.moist_air import MoistAir, table

_STANDARD = Air(288.15, 101_325.0)
_GAS = 8.314462618 / 0.0289652


def _engine(seed: int) -> OutsideEngine:
    return draw_outside(np.random.default_rng([seed, 1]))


def test_none_of_the_product_s_curves() -> None:
    """No module of the family imports the product's physics."""
    here = Path(__file__).parent
    modules = sorted(here.glob("outside_*.py"))
    assert len(modules) == 5
    for file in modules:
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            names = [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            names += [a.name for a in node.names] if isinstance(node, ast.Import) else []
            assert not any(name.startswith("taperwise.model.physics") for name in names), file.name


@given(st.floats(0.02, 0.06), st.floats(0.01, 0.99))
def test_segment(bore: float, share: float) -> None:
    """Open areas are those found by quadrature."""
    assert segment(bore, share * bore) == pytest.approx(flow.segment_area(bore, share * bore), rel=1e-8)


@given(st.floats(5e-3, 0.03), st.floats(1e-3, 0.05))
def test_cone(past: float, loss: float) -> None:
    """The area past a cone is the least frustum between the edge and the cone, found by search."""
    cone = Cone(3.02e-3, 3e-3, loss, 0.04)
    outer = 0.5 * cone.orifice

    def frustum(at: float) -> float:
        inner = 0.5 * (cone.needle - loss * at)
        return math.pi * (outer + inner) * math.hypot(outer - inner, at - past)

    least = minimize_scalar(frustum, bounds=(past - 1e-3, past + 1e-3), method="bounded", options={"xatol": 1e-10})
    assert cone.area(past) == pytest.approx(least.fun, rel=1e-3)


def test_the_round_part_and_the_tip() -> None:
    """Before its taper the needle leaves a ring (`fluids`); far beyond its tip the orifice is open."""
    cone = Cone(3.02e-3, 3e-3, 0.03, 0.04)
    assert cone.area(-1e-3) == pytest.approx(A_hollow_cylinder(3e-3, 3.02e-3, 0.0) / 2.0, rel=1e-9)
    assert cone.area(0.05) == pytest.approx(0.25 * math.pi * 3.02e-3**2)
    assert cone.area(0.04) == pytest.approx(cone.area(0.04 + 1e-7), rel=1e-3)


@given(st.floats(1.0, 5.0))
def test_orifice_coefficient(decades: float) -> None:
    """The curve through eight values stays within 0.01 of the whole table (Hollingshead, in `fluids`)."""
    assert orifice_coefficient(10.0**decades) == pytest.approx(flow.orifice_coefficient(10.0**decades), abs=0.01)


def test_orifice_flow() -> None:
    """Bernoulli with the coefficient; nothing flows against a pressure."""
    area, gap, pressure = 2e-6, 0.5e-3, 3_000.0
    reynolds = math.sqrt(2.0 * pressure / 700.0) * gap / 0.65e-6
    wanted = flow.orifice_coefficient(reynolds) * area * math.sqrt(2.0 * 700.0 * pressure)
    assert orifice_flow(area, gap, pressure, 700.0, 0.65e-6) == pytest.approx(wanted, rel=0.01)
    assert orifice_flow(area, gap, -1.0, 700.0, 0.65e-6) == 0.0


@given(st.floats(20_000.0, 100_000.0), st.floats(260.0, 310.0))
def test_throttle_flow(downstream: float, kelvin: float) -> None:
    """Air past the slide, choked or not, is that of API 520 (`fluids`)."""
    assert choked_ratio() == pytest.approx(flow.choked_ratio(), rel=1e-9)
    wanted = flow.air_flux(101_325.0, downstream, kelvin)
    assert throttle_flow(1.0, 101_325.0, downstream, kelvin, _GAS) == pytest.approx(wanted, rel=1.5e-3)


@pytest.mark.parametrize(("air", "made"), table())
def test_moist_air(air: tuple[float, float, float], made: dict[str, MoistAir]) -> None:
    """Vapour within 2 % (over water where libraries count over ice: 12 %), densities within 0.1 %, dry air 0.04 %."""
    kelvin, humidity, pascal = air
    weather = Weather(pascal, kelvin, vapour_share(kelvin, pascal, humidity))
    for library in made.values():
        assert weather.vapour == pytest.approx(library.vapour_share, rel=0.02 if kelvin > 273.15 else 0.12)
        assert weather.density == pytest.approx(library.density, rel=1e-3)
        assert weather.dry_density == pytest.approx(library.dry_density, rel=1e-3)
        assert weather.dry_share == pytest.approx(library.dry_share, abs=4e-4)


@pytest.mark.parametrize(("suction", "head", "power"), [(1.0, 0.0, -0.5), (0.0, 0.3, -1.0)])
def test_full_throttle_by_density(suction: float, head: float, power: float) -> None:
    """By suction alone phi goes with density to −1/2, by head alone to −1 (Bernoulli), but for the coefficient."""
    body = replace(_engine(3)._body, suction=suction)
    needle = body.needle("needle 4")
    thick, thin = (
        body.full_throttle(needle, 2e-3, Weather(pascal, 288.15, 0.0), head) for pascal in (101_325.0, 91_192.5)
    )
    assert math.log(thin / thick) / math.log(0.9) == pytest.approx(power, abs=0.04)


def test_idle_by_temperature() -> None:
    """Choked, at one pressure, air goes with temperature to −1/2: fuel over phi tells the air."""
    body = replace(_engine(3)._body, bled=0.0)
    body = replace(body, pump=replace(body.pump, idle_air=0.7 * body.pump.idle_air))  # so little load that it is choked
    needle, opening, air = body.needle("needle 4"), 0.6 * body.opening, []
    for kelvin in (283.15, 293.15):
        weather = Weather(101_325.0, kelvin, 0.0)
        found = body.idle(needle, 2e-3, opening, weather, 0.25)
        assert found.manifold < choked_ratio() * 101_325.0
        at_one = replace(body, opening=opening).idle_air(needle, 2e-3, found.manifold, weather, 0.25)
        air.append(at_one / found.phi)
    assert math.log(air[1] / air[0]) / math.log(293.15 / 283.15) == pytest.approx(-0.5, abs=1e-6)
    area = body.slide * flow.segment_area(body.bore, opening)
    assert air[0] == pytest.approx(area * flow.air_flux(101_325.0, 30_000.0, 283.15), rel=1e-3)


def test_idle_is_in_balance() -> None:
    """What flows past the slide is what the engine pumps, by an outside formula for the flow; leaning finds the top."""
    for seed in range(6):
        body = _engine(seed)._body
        found = body.idle(body.needle("needle 4"), 2e-3, body.opening, Weather(101_325.0, 288.15, 0.0), 0.25)
        past = body.slide * flow.segment_area(body.bore, body.opening)
        past *= flow.air_flux(101_325.0, found.manifold, 288.15)
        pumped = body.pump.swept(found.rpm, body.pump.idle_efficiency) * found.manifold
        assert pumped / (_GAS * (288.15 + body.pump.heated)) == pytest.approx(past, rel=2e-3)
        leaned = body.leaned(found, body.opening, Weather(101_325.0, 288.15, 0.0))
        assert (leaned > 0.0) == (found.phi > body.pump.idle_best)


def test_a_smooth_idle_rises_within_the_owner_s_band() -> None:
    """At the rich edge of smooth the idle rises less on leaning than the owner allows: the truth need not ask twice."""
    for seed in range(60):
        engine = _engine(seed)
        weather, body = moist(_STANDARD), engine._body
        _, found = engine._mixtures(engine.position, weather, engine._tank.middle)
        factor = math.exp(engine._ear.cuts[2]) / found.phi
        _, edge = engine._mixtures(engine.position, weather, engine._tank.middle, idle=factor)
        leaned = body.leaned(edge, body.opening, weather)
        assert 0.0 <= leaned < engine.installation.targets.idle_rise_rpm[1]


def test_exhaust_table() -> None:
    """Away from the rounded peak the rich side falls by 560 to 800 °F per phi, more steeply on the lean side."""
    for seed in range(30):
        exhaust = Exhaust.draw(np.random.default_rng(seed))
        rich = 1.8 * float(exhaust.table(0.19) - exhaust.table(0.11)) / 0.08
        lean = 1.8 * float(exhaust.table(-0.13) - exhaust.table(-0.11)) / 0.02
        assert 540.0 < rich < 820.0
        assert lean > rich
        assert min(exhaust.rises(exhaust.phi_for(50.0))) == pytest.approx(50.0, abs=0.1)
        assert exhaust.cylinders.mean() == pytest.approx(1.0)
        assert len(exhaust.probes) in (1, 2, len(exhaust.cylinders))


def test_scatter_lasts_from_run_to_run() -> None:
    """Scatter of the rise: standard deviation 6 K, correlation 0.6 from run to run."""
    rng, person = np.random.default_rng(5), Person(0.0, 1.0, 0.0, 0.0)
    made = []
    for _ in range(20_000):
        person.another_run(rng)
        made.append(person.lasting_kelvin)
    assert np.std(made) == pytest.approx(6.0, rel=0.05)
    assert np.corrcoef(made[1:], made[:-1])[0, 1] == pytest.approx(0.6, abs=0.03)


@pytest.mark.slow
def test_a_needle_fits_most() -> None:
    """Most engines have a needle that is right at both ends and at idle speed, some have none."""
    fit = [
        bool(fitting_positions(_engine(seed), draw_days(np.random.default_rng([seed, 2])).air))
        for seed in range(903, 913)
    ]
    assert 7 <= sum(fit) < 10


def test_turning_out_is_richer() -> None:
    """Full throttle grows richer as the holder is turned out, and a shallower needle makes it leaner."""
    engine = _engine(2)
    before = engine.truth(_STANDARD)
    engine.adjust(TurnScrew(0.25))
    assert engine.truth(_STANDARD).rise_kelvin > before.rise_kelvin
    assert engine.truth_at(engine.fitted_anew("needle 1"), _STANDARD).rise_kelvin < before.rise_kelvin
    engine.adjust(ChangeNeedle("needle 1"))
    assert engine.truth(_STANDARD) == engine.truth_at(engine.position, _STANDARD)
    assert engine.made == [TurnScrew(0.25), ChangeNeedle("needle 1")]


def test_readings() -> None:
    """Readings lie about the truth, some are missing, and the record of the air has errors of its own."""
    rises, idle, missing = [], [], 0
    for seed in range(60):
        engine = _engine(seed)
        phi, _ = engine._mixtures(engine.position, moist(_STANDARD), engine._tank.middle)
        read = min(engine._exhaust.rises(phi)[i] for i in engine._exhaust.probes)
        run = engine.run(_STANDARD)
        missing += run.static_rpm is None
        assert run.air != _STANDARD
        assert run.idle_rpm is not None
        idle.append(run.idle_rpm - engine.truth(_STANDARD).idle_rpm)
        if run.rise is not None and run.rise.seen is RiseSeen.PEAK and read > 20.0:
            rises.append(run.rise.kelvin - read)
    assert 2 < missing < 25
    assert abs(np.mean(rises)) < 4.0
    assert 6.0 < np.std(rises) < 16.0
    assert abs(np.mean(idle)) < 8.0
