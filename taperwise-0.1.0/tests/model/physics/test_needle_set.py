"""Needles by their measured slopes, or by their order alone."""

import math
from dataclasses import replace

import numpy as np
import pytest

from taperwise.model.inference.dataset import Position, settings_of, start_position, throttle_of
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics.air import STANDARD
from taperwise.model.physics.mixture import mixtures, needle_place
from taperwise.model.physics.needle_set import needle_set
from taperwise.model.physics.priors import PRIORS, TYPICAL_STEP, TYPICAL_STEP_SPREAD
from taperwise.shared.records import ChangeNeedle, Installation, Needle, ThrottleBody
from tests.conftest import NEEDLES

BY_ORDER = Installation(tuple(Needle(label) for label in "ABCDEFG"), "D")


def _fitted(installation: Installation, label: str, turns: float = 0.0) -> Position:
    start = start_position(installation)
    here = start if label == start.needle else start.after(ChangeNeedle(label), installation)
    return replace(here, turns=turns)


@pytest.mark.parametrize("count", [1, 2, 6, 7])
def test_measured_slopes_stay_what_they_are(count: int) -> None:
    """The middle one is the median, nothing is stretched, and an error counts once."""
    found = needle_set(Installation(NEEDLES[:count][::-1], NEEDLES[0].label))
    assert found.slopes == {n.label: n.taper_slope for n in NEEDLES[:count]}
    assert found.middle_slope == pytest.approx(float(np.median([n.taper_slope or 0.0 for n in NEEDLES[:count]])))
    assert set(found.ln_steps.values()) == {0.0}
    assert (found.ln_step, found.step_spread, found.error_load) == (0.0, 0.0, 1.0)


def test_measured_needles_know_nothing_of_the_step(rng: np.random.Generator) -> None:
    """Mixtures of measured needles are the same to the last bit, whatever the step would be."""
    installation = Installation(NEEDLES, "taper 30.0")
    u = draw_unknowns(installation, rng, draws=50)
    rows = [(_fitted(installation, n.label, 0.25), STANDARD) for n in NEEDLES]
    s, pivot = settings_of(installation, rows), settings_of(installation, rows[:1])
    one, other = (
        mixtures(x, s, pivot, throttle_of(installation)) for x in (u, replace(u, needle_step=u.needle_step + 2))
    )
    assert np.array_equal(one.full, other.full)
    assert np.array_equal(one.idle, other.idle)


def test_engines_with_measured_needles_are_drawn_as_without_the_step() -> None:
    """The step comes from a stream of its own: what is drawn after it does not move."""
    one, other = np.random.default_rng(3), np.random.default_rng(3)
    draw_unknowns(Installation(NEEDLES, "taper 30.0"), one)
    names = len([n for n in PRIORS if n not in ("needle_error", "mark_error", "change_full", "change_idle")]) - 1
    other.standard_normal(names + 2 * 6)
    assert one.random() == other.random()


@pytest.mark.parametrize(("given", "step"), [(None, TYPICAL_STEP), (0.03, 0.03)])
def test_a_row_is_laid_out_evenly_around_its_middle(given: float | None, step: float) -> None:
    """Each is a step steeper than the one before; the owner's figure goes first, and is believed more."""
    found = needle_set(replace(BY_ORDER, needle_step=given))
    slopes = list(found.slopes.values())
    assert list(found.slopes) == list("ABCDEFG")
    assert np.allclose(np.divide(slopes[1:], slopes[:-1]), 1.0 + step)
    assert slopes[3] == pytest.approx(found.middle_slope)
    assert found.step_spread < TYPICAL_STEP_SPREAD if given else found.step_spread == TYPICAL_STEP_SPREAD


def test_the_middle_one_goes_with_the_body() -> None:
    """A needle twice as thick is ground twice as deep, and that of the default body is near the invented set's."""
    thick = ThrottleBody(needle_diameter_m=0.006, orifice_diameter_m=0.00602)
    usual, twice = (needle_set(x).middle_slope for x in (BY_ORDER, replace(BY_ORDER, throttle_body=thick)))
    assert twice == pytest.approx(2.0 * usual)
    assert usual == pytest.approx(0.030, rel=0.03)


@pytest.mark.parametrize("z", [-1.5, 0.0, 2.0])
def test_one_unknown_stretches_the_whole_row(rng: np.random.Generator, z: float) -> None:
    """Slopes from needle to needle are the true step apart, and the middle one stays."""
    u = draw_unknowns(BY_ORDER, rng)
    u = replace(u, second=np.zeros_like(u.second), needle_step=np.full((1, 1), z))
    s = settings_of(BY_ORDER, [(_fitted(BY_ORDER, n.label), STANDARD) for n in BY_ORDER.needles])
    slopes = needle_place(u, s, throttle_of(BY_ORDER)).slope[0]
    true = math.log1p(TYPICAL_STEP) * math.exp(TYPICAL_STEP_SPREAD * z)
    assert np.allclose(np.diff(np.log(slopes)), true)
    assert slopes[3] == pytest.approx(needle_set(BY_ORDER).middle_slope)


def test_needles_hardly_ever_stand_out_of_order(rng: np.random.Generator) -> None:
    """A needle off its even place passes its neighbour in less than one pair of two hundred."""
    u = draw_unknowns(BY_ORDER, rng, draws=4000)
    places = [_fitted(BY_ORDER, label) for label in "DE"]
    d, e = (needle_place(u, settings_of(BY_ORDER, [(p, STANDARD)]), throttle_of(BY_ORDER)).slope for p in places)
    assert 0.0 < np.mean(e <= d) < 0.005


def _idle_with_full_held(step: float) -> float:
    """What a needle that much steeper does to idle, the screw turned so that full throttle stays [ln phi]; written anew
    from the geometry of the default body, by bisection.
    """

    def area(length: float, slope: float) -> float:
        angle = 2 * math.acos(1 - slope * length / 1.5)
        return 0.5 * 1.5**2 * (angle - math.sin(angle)) + math.pi / 4 * (3.02**2 - 3.0**2)

    slope, steeper = 30e-3, 30e-3 * (1.0 + step)
    low, high = -5.0, 0.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if area(34.0 + middle, steeper) < area(34.0, slope) else (low, middle)
    return math.log(area(6.0 + low, steeper) / area(6.0, slope))


def test_the_step_is_believed_where_a_set_is_of_use() -> None:
    """At the fine end of nine sets in ten a needle does at idle what an eighth of a turn does; at the coarse end it
    passes over all of smooth. The middle lets neighbours overlap. ISO 3's finest series of preferred numbers, R80, has
    steps of 2.9 % (10 to the power of one in eighty).
    """
    low, middle, high = (TYPICAL_STEP * math.exp(TYPICAL_STEP_SPREAD * z) for z in (-1.645, 0.0, 1.645))
    smooth = PRIORS["idle_gap_smooth"].centre
    assert abs(_idle_with_full_held(low)) == pytest.approx(smooth / 3.0, rel=0.15)  # an eighth is a third of smooth
    assert smooth / 2.0 < abs(_idle_with_full_held(middle)) < smooth
    assert smooth < abs(_idle_with_full_held(high)) < 2.0 * smooth
    assert low < 10.0 ** (1.0 / 80.0) - 1.0 < high
