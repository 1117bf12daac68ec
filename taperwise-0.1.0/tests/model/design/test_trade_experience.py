"""The trade's experience must come out of the default geometry and priors: common practice, no published source."""

import math
from dataclasses import replace

import numpy as np
import pytest
from fluids import ATMOSPHERE_1976

from taperwise.model.inference.dataset import start_position, throttle_of
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics.air import STANDARD, Conditions, density_ratio
from taperwise.model.physics.backend import NUMPY
from taperwise.model.physics.exhaust import mixture_for_rise, rise
from taperwise.model.physics.mixture import Ends, Unknowns, idle_cutpoints
from taperwise.model.physics.needle import depth_for_area, fuel_area
from taperwise.model.physics.priors import CHANGES, PRIORS, from_standard
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.records import ChangeNeedle, Installation, TurnScrew
from taperwise.shared.runs import Air


def _typical(installation: Installation, rng: np.random.Generator) -> Unknowns:
    """Every unknown at its prior's centre, full throttle at 100 °F of rise, idle in the middle of smooth."""
    drawn = draw_unknowns(installation, rng)
    named = {n: np.reshape(from_standard(n, 0.0, NUMPY), (1, 1)) for n in Unknowns.names() if n in PRIORS}
    zero = np.zeros_like(drawn.first)
    u = replace(drawn, **named, first=zero, second=zero)
    c = idle_cutpoints(u)
    full = mixture_for_rise(100 / 1.8, u.exhaust_scale, u.exhaust_width)
    return replace(u, ln_full=full, ln_idle=0.5 * (c.smooth_lean + c.smooth_rich))


def _ends(engine: VirtualEngine) -> Ends:
    return engine._ends(STANDARD)


@pytest.fixture
def engine(installation: Installation, rng: np.random.Generator) -> VirtualEngine:
    """A typical engine, right at both ends."""
    return VirtualEngine(installation, _typical(installation, rng), rng)


def test_an_eighth_is_fine_but_visible_at_full_throttle(engine: VirtualEngine, air: Air) -> None:
    """An eighth of a turn changes the rise by 10 to 30 °F."""
    before = engine.truth(air).rise_kelvin
    engine.adjust(TurnScrew(0.125))
    assert 10 <= 1.8 * (engine.truth(air).rise_kelvin - before) <= 30


def test_an_eighth_is_several_per_cent_at_idle(engine: VirtualEngine) -> None:
    """An eighth of a turn changes the idle mixture by 3 to 10 %, several times as much as full throttle."""
    full, idle, _ = _ends(engine)
    engine.adjust(TurnScrew(0.125))
    full2, idle2, _ = _ends(engine)
    change = float((idle2 - idle)[0, 0])
    assert 0.03 <= change <= 0.10
    assert change > 3 * float((full2 - full)[0, 0])


@pytest.mark.parametrize("turns", [1.0, -1.0])
def test_a_whole_turn_goes_from_right_to_barely_running(engine: VirtualEngine, turns: float) -> None:
    """A whole turn changes the idle mixture by more than a quarter, beyond what is judged as slightly off."""
    right = float(_ends(engine).idle[0, 0])
    engine.adjust(TurnScrew(turns))
    c = idle_cutpoints(engine._u)
    idle = float(_ends(engine).idle[0, 0])
    assert idle > float(c.loading[0, 0]) if turns > 0 else idle < float(c.stumbling[0, 0])
    assert abs(math.expm1(idle - right)) > 0.25


def test_first_set_ups_land_anywhere(installation: Installation, air: Air) -> None:
    """Engines drawn from the prior show anything from falling at once to 300 °F and more, neither being rare."""
    engines = [VirtualEngine.draw(installation, seed) for seed in range(400)]
    rises = np.array([1.8 * e.truth(air).rise_kelvin for e in engines])
    assert 0.08 < np.mean(rises < 0) < 0.4
    assert 0.02 < np.mean(rises > 300) < 0.2
    assert np.mean((rises > 70) & (rises < 130)) < 0.4


def test_a_steeper_needle_is_richer_then_leaner_at_idle(engine: VirtualEngine) -> None:
    """Steeper is richer at full throttle; with full throttle reset, idle comes out leaner: geometry alone."""
    right = _ends(engine)
    engine.adjust(ChangeNeedle("taper 30.6"))
    steeper = _ends(engine)
    assert steeper.full[0, 0] > right.full[0, 0]
    while _ends(engine).full[0, 0] > right.full[0, 0]:
        engine.adjust(TurnScrew(-0.01))
    assert _ends(engine).idle[0, 0] < right.idle[0, 0] - 0.05


def test_the_same_from_areas(installation: Installation) -> None:
    """The same with areas alone: equal area at full throttle on a steeper taper leaves less at idle."""
    t = throttle_of(installation)
    size = (t.orifice_diameter, t.needle_diameter)
    shallow, steep, start = 0.030, 0.0306, 0.003
    area = fuel_area(start + t.full_travel, shallow, *size)
    reset = depth_for_area(np.array([area]), *size)[0] / steep - t.full_travel
    assert fuel_area(reset + t.idle_opening, steep, *size) < 0.97 * fuel_area(start + t.idle_opening, shallow, *size)


def _bernoulli(sigma: float, head_share: float) -> float:
    """Mixture over that at sigma 1, √(suction × sigma + head)/sigma: fuel by suction and head, air by suction."""
    return math.sqrt((1 - head_share) * sigma + head_share) / sigma


@pytest.mark.parametrize("sigma", [0.9428, 0.8617, 0.7861])
@pytest.mark.parametrize("head_share", [0.1, 0.5, 0.9])
def test_thin_air_is_richer(engine: VirtualEngine, sigma: float, head_share: float) -> None:
    """Bernoulli's mixture in thin air lies within what the prior of the exponent spans, at both ends (calculated)."""
    wanted = math.log(_bernoulli(sigma, head_share))
    low, high = (from_standard("density_exponent", z, NUMPY) for z in (-3.0, 3.0))
    for exponent, beyond in ((low, 1), (high, -1)):
        engine._u = replace(engine._u, density_exponent=np.reshape(exponent, (1, 1)))
        there, here = engine._ends(Conditions(math.log(sigma))), engine._ends(STANDARD)
        for end in ("full", "idle"):
            assert beyond * (wanted - (getattr(there, end) - getattr(here, end))[0, 0]) > 0


def test_textbook_altitude(engine: VirtualEngine) -> None:
    """By suction alone, air to fuel 14 becomes 10.99 at 5,000 m (Mathur & Sharma, Ex. 11.7, read), within 2 %.

    The book's air there is not quite the standard's, whose density ratio is taken here (`fluids`, calculated).
    """
    standard = ATMOSPHERE_1976(5000.0)
    ln_sigma = math.log(density_ratio(Air(standard.T, standard.P)))
    engine._u = replace(engine._u, density_exponent=np.full((1, 1), 0.5))
    richer = float((engine._ends(Conditions(ln_sigma)).full - engine._ends(STANDARD).full)[0, 0])
    assert 14.0 / math.exp(richer) == pytest.approx(10.99, rel=0.02)


def test_needle_and_slope_priors_are_positive(installation: Installation, rng: np.random.Generator) -> None:
    """Cuts drawn from the prior are always in order, so prior draws are valid engines."""
    for _ in range(200):
        c = idle_cutpoints(draw_unknowns(installation, rng))
        assert c.stumbling < c.smooth_lean < c.smooth_rich < c.loading


def test_rough_and_peak_agree() -> None:
    """400 °F of rise is far on the rich side, around phi 1.4 (equilibrium cycle: 368 °F at 1.40, calculated)."""
    assert 1.8 * rise(math.log(1.4), 1002 / 1.8, 0.035) == pytest.approx(368, abs=8)


def test_an_engine_takes_any_number_of_changes(installation: Installation, air: Air) -> None:
    """A virtual engine runs on after more changes than the posterior holds apart, each with effects of its own."""
    engine = VirtualEngine.draw(installation, 3)
    seen = []
    for _ in range(CHANGES + 2):
        engine.adjust(ChangeNeedle("taper 30.6"))
        seen.append(engine.truth(air).rise_kelvin)
    assert len(set(seen)) == CHANGES + 2


def test_start_position(installation: Installation) -> None:
    """A record begins with the fitted needle's mark at the slide's edge."""
    start = start_position(installation)
    assert (start.needle, start.turns, start.idle_stop_turns) == ("taper 30.0", 0.0, 0.0)
