"""Campaigns: policies on virtual engines whose truth is known."""

import dataclasses
from collections.abc import Sequence

import numpy as np
import pytest

from taperwise.model.recommender import Recommender
from taperwise.shared.records import Acknowledge, ChangeNeedle, Entry, Installation, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Air
from tests.benchmarks.engines.campaign import MOST_RUNS, POLICIES, Campaign, Decision, Tunable, run_campaign
from tests.benchmarks.engines.families import FAMILIES, draw_engine
from tests.benchmarks.engines.policies import fitting_positions, make_policy
from tests.benchmarks.engines.virtual_sweep import Curve

_AIR = Air(288.15, 101_325.0)


@pytest.fixture
def curves() -> tuple[Curve, ...]:
    """A rounded tent in place of the calculated cycle."""
    phi = np.linspace(0.5, 1.7, 400)
    x = phi - 1.0
    return (Curve(phi, 1100.0 - 556.0 * (np.sqrt(x * x + 0.035**2) - 0.035) * np.where(x < 0, 1.4, 1.0)),)


def _campaign(
    policy: str,
    seed: int,
    installation: Installation,
    curves: tuple[Curve, ...],
    recommender: Recommender | None = None,
    family: str = "prior",
) -> tuple[Tunable, Campaign]:
    engine, place, rng = draw_engine(family, installation, seed, curves)
    fitting = bool(fitting_positions(engine, place.air))
    chosen = make_policy(policy, recommender, np.random.default_rng(seed))
    return engine, run_campaign(engine, chosen, place.weather, rng, fitting)


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("family", FAMILIES)
def test_the_oracle_is_always_right(installation: Installation, curves: tuple[Curve, ...], family: str) -> None:
    """In every family it tunes what can be tuned, claims nothing false, breaks no limit; it says so where it cannot."""
    done = [_campaign("oracle", seed, installation, curves, family=family)[1] for seed in range(6)]
    assert all(c.true_claim is not False and c.violations == 0 for c in done)
    # the careless builder's turns go astray under the oracle's hands as well
    if family not in ("careless", "weather", "outside"):
        assert all((c.finished == "tuned") == c.fitting for c in done)


def test_a_family_breaks_what_it_says(installation: Installation, curves: tuple[Curve, ...]) -> None:
    """The same seed gives the same engine in two families but for what the family breaks."""
    plain, bent = (draw_engine(f, installation, 3, curves)[0] for f in ("prior", "needle"))
    assert plain.truth(_AIR).rise_kelvin == pytest.approx(bent.truth(_AIR).rise_kelvin)
    for engine in (plain, bent):
        engine.adjust(ChangeNeedle("taper 28.2"))
        engine.adjust(TurnScrew(0.75))
    assert plain.truth(_AIR).rise_kelvin != pytest.approx(bent.truth(_AIR).rise_kelvin, abs=0.05)


def test_violations_are_counted(installation: Installation, curves: tuple[Curve, ...]) -> None:
    """A policy that turns a half is caught, and one that never ends is stopped."""
    engine, _, rng = draw_engine("prior", installation, 1, curves)
    sides = iter([1, -1] * MOST_RUNS)
    done = run_campaign(engine, lambda *_: Decision((TurnScrew(0.5 * next(sides)),)), lambda _: _AIR, rng, True)
    assert (done.runs, done.finished, done.violations) == (MOST_RUNS, "", MOST_RUNS)


def test_repeats_are_counted(installation: Installation, curves: tuple[Curve, ...]) -> None:
    """A run is a repeat where nothing was changed before it; the first is none, nor is what ends a campaign."""
    engine, _, rng = draw_engine("prior", installation, 1, curves)
    plan = iter([Decision(), Decision((TurnScrew(0.125),)), Decision(), Decision(), Decision(finished="tuned")])
    done = run_campaign(engine, lambda *_: next(plan), lambda _: _AIR, rng, True)
    assert (done.runs, done.repeats) == (5, 3)


@pytest.mark.parametrize(("family", "false"), [("prior", 1), ("careless", 0)])
def test_alarms_are_false_where_all_was_done_as_recorded(
    installation: Installation, curves: tuple[Curve, ...], family: str, false: int
) -> None:
    """An alarm after turns that were made as written is false; after one that went astray it is not."""
    engine, _, rng = draw_engine(family, installation, 1, curves)
    sides = iter([1, -1] * MOST_RUNS)

    def alarming(engine: Tunable, entries: Sequence[Entry], air: Air) -> Decision:
        if isinstance(entries[-1], Acknowledge):
            return Decision(finished="tuned")
        if engine.made == [e for e in entries if isinstance(e, TurnScrew)]:
            return Decision((TurnScrew(0.125 * next(sides)),)) if len(entries) < 60 else Decision(alarm=("probe",))
        return Decision(alarm=("turn_wrong_way",))

    done = run_campaign(engine, alarming, lambda _: _AIR, rng, True)
    assert len(done.alarms) == 1
    assert done.false_alarms == false


def test_fitting_positions_are_right(installation: Installation, curves: tuple[Curve, ...]) -> None:
    """What is said to fit does, once it is set."""
    engine = draw_engine("prior", installation, 2, curves)[0]
    places = fitting_positions(engine, _AIR)
    assert places
    at, foretold = next((p, t) for p, t in places if p.needle != engine.position.needle)
    engine.adjust(ChangeNeedle(at.needle, at.turns))
    if at.idle_stop_turns:
        engine.adjust(TurnIdleStop(at.idle_stop_turns))
    assert engine.truth(_AIR) == foretold
    assert foretold.full_right
    assert foretold.idle_right
    assert foretold.speed_right


def test_an_engine_right_at_no_idle_speed_fits_nowhere(installation: Installation, curves: tuple[Curve, ...]) -> None:
    """Both ends can be right with six needles, and with each of them the idle stop that brings the speed spoils one."""
    engine = draw_engine("prior", installation, 5013, curves)[0]
    assert not fitting_positions(engine, _AIR)
    here = engine.fitted_anew("taper 28.2")
    at = engine.truth_at(dataclasses.replace(here, turns=-0.5), _AIR)
    assert (at.full_right, at.idle_right, at.speed_right) == (True, True, False)


@pytest.mark.slow
@pytest.mark.thorough(one_of="benches")
@pytest.mark.parametrize("policy", [p for p in POLICIES if p not in ("oracle", "rule_of_thumb")])
def test_policies_with_a_posterior(
    recommender: Recommender, installation: Installation, curves: tuple[Curve, ...], policy: str
) -> None:
    """Each comes to an end on an engine that a needle fits, within the limits, with chances stated at every run."""
    _, done = _campaign(policy, 2, installation, curves, recommender)
    assert done.violations == 0
    assert len(done.pairs) == 3 * done.runs
    assert all(0.0 <= stated <= 1.0 for stated, _ in done.pairs)
    if policy == "ours":
        assert done.finished == "tuned"
        assert done.true_claim


def test_no_such_policy(recommender: Recommender, rng: np.random.Generator) -> None:
    """A name that is none, or a policy without its adviser, is an error."""
    with pytest.raises(ValueError, match="no policy"):
        make_policy("best", recommender, rng)
    with pytest.raises(ValueError, match="needs an recommender"):
        make_policy("ours", None, rng)
