"""Instructions say what the hex key does, in the installation's units."""

import re
from dataclasses import replace

import pytest

from taperwise.api.presentation.fault_text import FAULTS
from taperwise.api.presentation.formatting import fraction
from taperwise.api.presentation.instruction_text import in_brief, instruction
from taperwise.api.schemas.units import PRESETS, Units
from taperwise.model.design import actions
from taperwise.shared.limits import IdleStopStep, ScrewStep
from taperwise.shared.reasons import (
    Exceeded,
    FaultKind,
    HeldBack,
    IdealSlope,
    IdealSteps,
    InspectCause,
    Inspection,
    Suspicion,
    Watched,
)
from taperwise.shared.records import Installation, TurnSense
from tests.api.conftest import StandIn
from tests.conftest import NEEDLES

_FAHRENHEIT, _CELSIUS = Units(), Units.model_validate(PRESETS["celsius"])


@pytest.mark.parametrize(
    ("turns", "words"),
    [
        (-0.125, "1/8 turn clockwise: leaner"),
        (-0.25, "1/4 turn clockwise: leaner"),
        (0.125, "1/8 turn counter-clockwise: richer"),
        (0.25, "1/4 turn counter-clockwise: richer"),
    ],
)
def test_a_turn_says_the_keys_way_and_its_effect(installation: Installation, turns: float, words: str) -> None:
    """In on a right-hand thread is clockwise and leaner (ISO 5408; common practice), and the sentence says both."""
    assert words in instruction(actions.turn_screw(ScrewStep(turns, installation.limits), installation), _CELSIUS)


def test_a_left_hand_thread_is_said_the_other_way(installation: Installation) -> None:
    """The words follow the sense of the action."""
    body = replace(installation.throttle_body, lean_direction=TurnSense.COUNTER_CLOCKWISE)
    action = actions.turn_screw(ScrewStep(-0.125, installation.limits), replace(installation, throttle_body=body))
    assert "1/8 turn counter-clockwise: leaner" in instruction(action, _CELSIUS)


@pytest.mark.parametrize(("turns", "words"), [(0.125, "1/8 turn clockwise: faster"), (-0.125, "clockwise: slower")])
def test_a_turn_of_the_idle_stop(installation: Installation, turns: float, words: str) -> None:
    """With its effect on the idle."""
    said = instruction(actions.turn_idle_stop(IdleStopStep(turns, installation.limits), installation), _CELSIUS)
    assert words in said
    assert "idle stop screw" in said


@pytest.mark.parametrize(
    ("steps", "turns", "lead", "holder"),
    [
        (1, 0.0, "Change the needle to B, one step steeper.", "Do not turn the needle holder."),
        (
            -2,
            0.5,
            "B, two steps shallower.",
            "Turn the needle holder 1/2 turn counter-clockwise: richer than the mark.",
        ),
        (8, -0.25, "B, 8 steps steeper.", "Turn the needle holder 1/4 turn clockwise: leaner than the mark."),
    ],
)
def test_a_change_of_needle(installation: Installation, steps: int, turns: float, lead: str, holder: str) -> None:
    """Step by step, the engine stopped first and the leaks looked for before the next run; in one line for a list."""
    change = actions.change_needle("B", steps, turns, installation)
    first, *lines = instruction(change, _CELSIUS).splitlines()
    assert first.endswith(lead)
    assert [line.partition(". ")[0] for line in lines] == [str(i) for i in range(1, 8)]
    assert lines[0] == "1. Stop the engine. Switch the ignition off."
    assert "slide's edge" in lines[2]
    assert lines[3] == f"4. {holder}"
    assert "locking screw" in lines[4]
    assert "fuel leaks" in lines[5]
    assert "new run" in lines[6]
    assert not re.search(r"(?i)\bstart (?:the|again)", " ".join(lines))
    assert len(in_brief(change, _CELSIUS).splitlines()) == 1


def test_running_and_keeping() -> None:
    """The first run is asked for as such."""
    first, again = (instruction(actions.repeat_run(), _CELSIUS, first_run=first) for first in (True, False))
    assert first == "Make the first run as the engine is set now."
    assert again == "Change nothing. Make another run at this setting."
    kept = instruction(actions.keep(), _CELSIUS)
    assert "locking screw" in kept
    assert "confirmed" in kept
    here = instruction(actions.keep(), _CELSIUS, this_air_only=True)
    assert "confirmed for the air of your runs only" in here


def test_what_was_recorded_comes_before_the_run_that_follows() -> None:
    """After a turn nothing says "change nothing"; after a run at the new setting it does."""
    adviser = StandIn(7)
    now = adviser.suggest(adviser.learn(Installation(NEEDLES, "taper 30.0"), [])).confidence
    turned = replace(now, runs=2, runs_here=0, position_turns=0.125)
    assert instruction(actions.repeat_run(), _CELSIUS, now=turned) == (
        "Your last change is in the log: needle taper 30.0, holder 1/8 turn richer than the mark. Turn nothing more. "
        "Make a run at this new setting."
    )
    assert "Change nothing" in instruction(actions.repeat_run(), _CELSIUS, now=replace(turned, runs_here=1))


def test_without_directions_no_way_of_the_key_is_named(installation: Installation) -> None:
    """An owner who did not say which way is leaner reads the effect alone."""
    body = replace(installation.throttle_body, lean_direction=None, faster_direction=None)
    place = replace(installation, throttle_body=body)
    turn = actions.turn_screw(ScrewStep(-0.125, place.limits), place)
    stop = actions.turn_idle_stop(IdleStopStep(0.125, place.limits), place)
    change = actions.change_needle("B", 1, 0.5, place)
    assert instruction(turn, _CELSIUS).startswith("Turn the needle holder 1/8 turn: leaner.")
    assert instruction(stop, _CELSIUS).startswith("Turn the idle stop screw 1/8 turn: faster.")
    assert "Turn the needle holder 1/2 turn: richer than the mark." in instruction(change, _CELSIUS)
    assert all("clockwise" not in instruction(each, _CELSIUS) for each in (turn, stop, change))


# 212 °F is 100 °C and 373.15 K; 1472 °F is 800 °C (the scales' definition)
_HOT = Inspection(
    InspectCause.LIMIT_EXCEEDED,
    exceeded=(
        Exceeded(Watched.HEAD_TEMPERATURE, 373.15, 363.15),
        Exceeded(Watched.EXHAUST_TEMPERATURE, 1073.15, 1053.15),
        Exceeded(Watched.SPEED, 3100.0, 3000.0),
    ),
)


@pytest.mark.parametrize(
    ("units", "head", "exhaust", "foreign"),
    [
        (_FAHRENHEIT, "reached 212 °F, above the limit of 194 °F", "reached 1472 °F, above the limit of 1436 °F", "°C"),
        (_CELSIUS, "reached 100 °C, above the limit of 90 °C", "reached 800 °C, above the limit of 780 °C", "°F"),
        (
            Units(head_temperature="kelvin", exhaust_temperature="degC"),
            "reached 373 K, above the limit of 363 K", "reached 800 °C, above the limit of 780 °C", "°F",
        ),
    ],
)  # fmt: skip
def test_limits_are_told_in_the_installations_units(units: Units, head: str, exhaust: str, foreign: str) -> None:
    """And in no other ones."""
    said = instruction(actions.inspect(_HOT), units)
    assert f"Cylinder head temperature {head}" in said
    assert f"Exhaust gas temperature {exhaust}" in said
    assert "Speed reached 3100 rpm, above the limit of 3000 rpm" in said
    assert "until you record the cause" in said
    assert foreign not in said


def test_a_stuck_rise_asks_for_the_fuel_supply() -> None:
    """No turn and no needle; both rises and the turns between them; fuel first, and how to go on."""
    stuck = Inspection(InspectCause.RISE_STUCK, richer_turns=0.5, rises_kelvin=(20 / 1.8, 22 / 1.8))
    said = instruction(actions.inspect(stuck), _FAHRENHEIT)
    assert said.startswith("Do not turn further, and do not change the needle. The EGT rise was 20 °F.")
    assert "After 1/2 turn richer it is 22 °F. Check the fuel supply first:\n1. Mixture control" in said
    assert "Fuel filter" in said
    assert said.endswith("record the cause to continue.")
    assert "°C" in instruction(actions.inspect(stuck), _CELSIUS)


def test_what_reads_the_same_is_told_once() -> None:
    """Two runs that went over the limit by as much."""
    twice = tuple(Exceeded(Watched.HEAD_TEMPERATURE, x, 363.15) for x in (373.15, 373.16))
    assert instruction(actions.inspect(replace(_HOT, exceeded=twice)), _CELSIUS).count("reached") == 1


@pytest.mark.parametrize(
    ("units", "told"),
    [
        (Units(), "about 28.5 mm/m (28.1 to 28.9 mm/m, 9 times in 10)"),
        (Units(taper="in/in"), "about 0.0285 in/in (0.0281 to 0.0289 in/in, 9 times in 10)"),
        (Units(taper="percent"), "about 2.85\u00a0% (2.81 to 2.89\u00a0%, 9 times in 10)"),
    ],
)
@pytest.mark.parametrize(
    ("shallower", "steeper", "where"),
    [
        ("A", "B", ", between your A and B"),
        (None, "A", ", shallower than your A"),
        ("B", None, ", steeper than your B"),
        ("A", "A", ""),
    ],
)
def test_the_slope_that_would_fit(
    units: Units, told: str, shallower: str | None, steeper: str | None, where: str
) -> None:
    """In the installation's unit of taper alone, and by the needles on either side."""
    slope = IdealSlope(0.0281, 0.0285, 0.0289, shallower, steeper)
    none_fits = Inspection(InspectCause.NO_NEEDLE_FITS, best_needle="A", best_chance=0.04, ideal_slope=slope)
    at_an_edge = Inspection(InspectCause.NOT_TO_BE_SETTLED, best_chance=0.74, chance_now=0.71, ideal_slope=slope)
    for inspection in (none_fits, at_an_edge):
        assert told + where in instruction(actions.inspect(inspection), units)
    assert "induction leak" in instruction(actions.inspect(none_fits), units)
    assert "71\u00a0% chance that both mixtures are in target (best possible: 74\u00a0%)" in instruction(
        actions.inspect(at_an_edge), units
    )


@pytest.mark.parametrize(
    ("range_90", "said"),
    [
        ((1.2, 1.6, 2.3), "about one to two steps steeper than your C, needle 3 of 7 from the shallowest"),
        ((0.8, 1.0, 1.3), "a needle about one step steeper than"),
        ((0.2, 1.0, 2.4), "a needle about up to two steps steeper than"),
        ((-1.4, 0.4, 2.0), "a needle about one step shallower to two steps steeper than"),
        ((-0.3, 0.1, 0.4), "a needle about as steep as your C"),
        ((3.6, 4.9, 10.6), "a needle about four to 11 steps steeper than your C, needle 3 of 7 from the shallowest "
                           "(beyond your steepest)"),
        ((-5.2, -3.0, -2.1), "about two to five steps shallower than your C, needle 3 of 7 from the shallowest "
                             "(beyond your shallowest)"),
    ],
)  # fmt: skip
def test_steps_that_would_fit(range_90: tuple[float, float, float], said: str) -> None:
    """Where no slope was measured, no figure is given but steps along the row, nine times in ten within."""
    low, middle, high = range_90
    steps = IdealSteps(low, middle, high, "C", 3, 7)
    none_fits = Inspection(InspectCause.NO_NEEDLE_FITS, best_needle="A", best_chance=0.04, ideal_slope=steps)
    told = instruction(actions.inspect(none_fits), _CELSIUS)
    assert said in told
    assert "mm/m" not in told


def test_an_idle_speed_at_an_edge_is_told_without_a_needle() -> None:
    """By its band."""
    edge = Inspection(InspectCause.NOT_TO_BE_SETTLED, chance_now=0.6, idle_rpm_band=(700.0, 900.0))
    said = instruction(actions.inspect(edge), _CELSIUS)
    assert "stays at the edge of its target range of 700 to 900 rpm (60\u00a0% chance of being in target)" in said
    assert "needle" not in said


@pytest.mark.parametrize("unseen", [True, False])
def test_a_turn_that_the_lean_limit_forbids_is_told(unseen: bool) -> None:
    """With both chances, and with what would tell more where a cylinder has no probe; no needle is asked for."""
    held = HeldBack(-0.125, 0.91, 0.053, 0.05, unseen_cylinders=unseen)
    edge = Inspection(InspectCause.NOT_TO_BE_SETTLED, best_chance=0.74, chance_now=0.59, held_back=held)
    said = instruction(actions.inspect(edge), _CELSIUS)
    assert "1/8 turn leaner would bring it into target with a 91\u00a0% chance" in said
    assert "a 5.3\u00a0% chance that a cylinder runs lean of peak at full throttle. Your limit is 5.0\u00a0%" in said
    assert ("Exhaust probes on all cylinders" in said) is unseen
    assert "needle" not in said


def test_a_tuning_that_is_too_far_from_its_end_asks_for_a_look() -> None:
    """With both chances, and nobody is asked to accept what is likely wrong; nothing found may be recorded too."""
    far = Inspection(InspectCause.TOO_FAR_TO_GO, best_needle="B", best_chance=0.31, chance_now=0.06)
    said = instruction(actions.inspect(far), _CELSIUS)
    assert said.startswith("Do not turn further.")
    assert "6\u00a0% chance that both mixtures are in target here, and 31\u00a0% at best, with B" in said
    assert "\n3. Fuel supply" in said
    assert said.endswith("Otherwise record the cause to continue. If you find no cause, record that too.")
    assert "accept" not in said
    slope = IdealSlope(0.0281, 0.0285, 0.0289, None, "A")
    none_fits = instruction(actions.inspect(replace(far, ideal_slope=slope)), _CELSIUS)
    assert none_fits.endswith("9 times in 10), shallower than your A.")


def test_what_to_look_at_is_listed() -> None:
    """The likeliest stories by name, what to look at by number."""
    turn, probe = Suspicion(FaultKind.TURN_WRONG_WAY, 0.7, 3), Suspicion(FaultKind.PROBE, 0.2, 2)
    doubt = Inspection(InspectCause.NOT_AS_FORETOLD, likeliest=(turn, probe), worth_a_look=(turn, probe))
    said = instruction(actions.inspect(doubt), _CELSIUS)
    assert "the wrong way, before run 3 (70\u00a0% chance). Or the exhaust probe reads too low, before run 2" in said
    assert said.startswith("Do not turn anything yet.")
    assert "easiest first:\n1. Recall" in said
    assert "\n2. Check that the probe" in said


def test_every_fault_has_its_words() -> None:
    """Each of its own."""
    assert set(FAULTS) == set(FaultKind)
    for texts in ({f.what for f in FAULTS.values()}, {f.look_at for f in FAULTS.values()}):
        assert len(texts) == len(FaultKind)


@pytest.mark.parametrize(
    ("turns", "words"), [(0.125, "1/8 turn"), (-1.25, "1 1/4 turns"), (1.0, "1 turn"), (0.0, "0 turns")]
)
def test_turns_as_a_hex_key_knows_them(turns: float, words: str) -> None:
    """Vulgar fractions, without their sign."""
    assert fraction(turns) == words
