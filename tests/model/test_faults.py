"""Something is wrong: stories about the latest run, through the real model."""

import dataclasses

import pytest

from model.advisor import Advisor
from model.faults import ALARM
from model.faulty_engines import FAULTS, draw_faulty
from shared.advice import ActionKind, InspectCause
from shared.records import Acknowledge, ChangeNeedle, Entry, Installation, TurnScrew
from shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run

_AIR = Air(288.15, 101_325.0)


def _run(degf: float, idle: IdleQuality = IdleQuality.SMOOTH, rise: float = 35.0) -> Run:
    peak = ExhaustRise(RiseSeen.PEAK, degf / 1.8)
    return Run(_AIR, rise=peak, idle_quality=idle, idle_rpm_rise=rise, static_rpm=2780.0, idle_rpm=800.0)


def _before(installation: Installation) -> list[Entry]:
    """A known engine: a quarter leaner took 28 °F, three times."""
    return [_run(210), _run(206), TurnScrew(-0.25), _run(180), _run(178), TurnScrew(-0.25)]


def test_a_run_as_foretold_raises_no_doubt(advisor: Advisor, installation: Installation) -> None:
    """After a turn that does what it should, all is as recorded; the chances are probabilities."""
    c = advisor.learn(installation, [*_before(installation), _run(150)]).confidence
    assert c.doubt < 0.3
    assert all(0.0 <= s.chance <= 1.0 for s in c.suspicions)
    assert c.doubt <= 1.0


def test_a_turn_made_the_other_way_is_noticed(advisor: Advisor, installation: Installation) -> None:
    """Richer after a turn that should lean: the likeliest story is a turn the other way, and the next step waits."""
    odd = [*_before(installation), dataclasses.replace(_run(214, IdleQuality.SLIGHTLY_RICH, 90.0), static_rpm=2772.0)]
    learned = advisor.learn(installation, odd)
    suggestion = advisor.suggest(learned)
    likeliest = max(learned.confidence.suspicions, key=lambda s: s.chance)
    assert likeliest.kind == "turn_wrong_way"
    assert learned.confidence.doubt >= ALARM
    assert suggestion.action.cause is InspectCause.NOT_AS_FORETOLD
    assert "the other way" in suggestion.action.instruction


def test_looking_comes_before_turning_until_acknowledged(advisor: Advisor, installation: Installation) -> None:
    """A rise that halves without a reason asks for a look, cheapest first; an acknowledgement lets it go on."""
    odd: list[Entry] = [_run(210), _run(206), _run(212), _run(80, IdleQuality.SMOOTH)]
    learned = advisor.learn(installation, odd)
    s = advisor.suggest(learned)
    assert learned.confidence.doubt >= ALARM
    assert s.action.kind is ActionKind.INSPECT
    assert "Look, cheapest first: 1." in s.action.instruction
    on = advisor.suggest(advisor.learn(installation, [*odd, Acknowledge("probe was loose; tightened")]))
    assert on.action.kind is not ActionKind.INSPECT
    assert on.confidence.doubt == 0.0


def test_a_first_run_and_two_changes_tell_no_story(advisor: Advisor, installation: Installation) -> None:
    """Without a run before, or across two changes at once, there is nothing to be foretold."""
    assert advisor.learn(installation, [_run(150)]).confidence.suspicions == ()
    log: list[Entry] = [_run(150), ChangeNeedle("taper 30.6"), ChangeNeedle("taper 31.2"), _run(150)]
    assert advisor.learn(installation, log).confidence.suspicions == ()


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_can_be_injected(installation: Installation, fault: str) -> None:
    """Its readings are a sound engine's, to the last digit, until it is there, and differ from then on."""
    rich = next(s for s in range(50) if draw_faulty("", installation, s).truth(_AIR).rise_kelvin > 40.0)
    sound, faulty = (draw_faulty(name, installation, rich) for name in ("", fault))
    seen = [[engine.run(_AIR), engine.run(_AIR)] for engine in (sound, faulty)]
    assert seen[0] == seen[1]
    assert faulty.onset is None
    for engine in (sound, faulty):
        engine.adjust(ChangeNeedle("taper 30.6") if fault == "mark_set_wrong" else TurnScrew(0.25))
    assert sound.run(_AIR) != faulty.run(_AIR)
    assert faulty.onset == 3
