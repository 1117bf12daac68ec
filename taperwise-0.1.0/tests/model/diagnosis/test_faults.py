"""Something is wrong: stories about the latest run, through the real model."""

from collections.abc import Sequence

import pytest

from taperwise.model.diagnosis.fault_detection import ALARM, WORTH_A_LOOK, fault_probabilities
from taperwise.model.diagnosis.hypotheses import HYPOTHESES
from taperwise.model.inference.dataset import gather
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.reasons import InspectCause
from taperwise.shared.recommendation import ActionKind
from taperwise.shared.records import Acknowledge, Adjustment, ChangeNeedle, Entry, Installation, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.benchmarks.engines.faulty_engines import FAULTS, draw_faulty

_AIR = Air(288.15, 101_325.0)


def _run(degf: float, idle: IdleQuality = IdleQuality.SMOOTH, rise: float = 35.0) -> Run:
    peak = ExhaustRise(RiseSeen.PEAK, degf / 1.8)
    return Run(_AIR, rise=peak, idle_quality=idle, idle_rpm_rise=rise, static_rpm=2780.0, idle_rpm=800.0)


def _log(
    installation: Installation, made: Sequence[Adjustment | None], said: Sequence[Adjustment | None], fault: str = ""
) -> list[Entry]:
    """Runs of one rich engine with a run after every adjustment made; what was said stands in the record."""
    engine = next(e for e in (draw_faulty(fault, installation, s) for s in range(200)) if _rich(e))
    engine.runs, engine.earliest = 0, len(made)  # the last two runs show it
    entries: list[Entry] = [engine.run(_AIR)]
    for turn, told in zip(made, said, strict=True):
        if turn is not None:
            engine.adjust(turn)
        entries += [*([] if told is None else [told]), engine.run(_AIR)]
    return entries


def _rich(engine: VirtualEngine) -> bool:
    """Well on the rich side at both ends, so that every turn below can be seen."""
    truth = engine.truth(_AIR)
    idle = engine.run(_AIR).idle_rpm_rise or 0.0
    return 90.0 < truth.rise_kelvin < 130.0 and 60.0 < idle < 150.0


_LEANER, _RICHER = TurnScrew(-0.25), TurnScrew(0.25)


def test_runs_as_foretold_raise_no_doubt(recorded: Recommender, installation: Installation) -> None:
    """After turns that do what they should, all is as recorded; the chances are probabilities."""
    c = recorded.learn(installation, _log(installation, [None, _LEANER, None], [None, _LEANER, None])).confidence
    assert c.doubt < 0.3
    assert c.suspicions
    assert all(0.0 <= s.chance <= 1.0 for s in c.suspicions)


def test_a_turn_made_the_other_way_is_noticed(recorded: Recommender, installation: Installation) -> None:
    """Richer after a turn that should lean: the likeliest story is a turn the other way, and the next step waits."""
    learned = recorded.learn(installation, _log(installation, [None, _RICHER], [None, _LEANER]))
    suggestion = recorded.suggest(learned)
    likeliest = max(learned.confidence.suspicions, key=lambda s: s.chance)
    assert (likeliest.kind, likeliest.since_run) == ("turn_wrong_way", 3)
    assert learned.confidence.doubt >= ALARM
    assert suggestion.action.cause is InspectCause.NOT_AS_FORETOLD
    assert suggestion.action.inspection is not None
    assert suggestion.action.inspection.likeliest[0] == likeliest


def test_what_one_run_hides_the_next_one_shows(recorded: Recommender, installation: Installation) -> None:
    """Doubt about a turn that was not made grows with the runs after it, and keeps to the run it began with.

    The rises happen to be higher after it. So a turn the other way explains them as well.
    """
    log = _log(installation, [None, None, None], [None, TurnScrew(-0.125), None])
    doubts = [recorded.learn(installation, log[:n]).confidence for n in (4, 5)]
    assert doubts[1].doubt > doubts[0].doubt
    first, second = ({(s.kind, s.since_run): s.chance for s in each.suspicions} for each in doubts)
    assert second["turn_not_made", 3] > first["turn_not_made", 3]
    assert sorted(second, key=lambda story: -second[story])[:2] == [("turn_wrong_way", 3), ("turn_not_made", 3)]


def test_looking_comes_before_turning_until_acknowledged(recorded: Recommender, installation: Installation) -> None:
    """A rise that halves without a reason asks for a look, cheapest first; an acknowledgement lets it go on."""
    odd = _log(installation, [None, None, None], [None, None, None], "probe")
    learned = recorded.learn(installation, odd)
    s = recorded.suggest(learned)
    assert learned.confidence.doubt >= ALARM
    assert s.action.kind is ActionKind.INSPECT
    assert s.action.inspection is not None
    looks = [each.kind for each in s.action.inspection.worth_a_look]
    assert looks == [h.kind for h in HYPOTHESES if h.kind in looks]
    assert "probe" in looks
    assert all(each.chance >= WORTH_A_LOOK for each in s.action.inspection.worth_a_look)
    assert max(learned.confidence.suspicions, key=lambda s: s.chance).kind == "probe"
    on = recorded.suggest(recorded.learn(installation, [*odd, Acknowledge("probe was loose; tightened")]))
    assert on.action.cause is not InspectCause.NOT_AS_FORETOLD
    assert on.confidence.doubt == 0.0


def test_nothing_but_the_fits_is_asked(recorded: Recommender, installation: Installation) -> None:
    """From the fits of the logs before and of the whole one, on one core or two, the figures are those of the answer,
    to the last digit; a change of needle begins the draws anew, for they mean something else since.
    """
    turned = _log(installation, [None, _RICHER, None], [None, _LEANER, None])
    log: list[Entry] = [*turned, ChangeNeedle("taper 30.6"), _run(120), _run(95)]
    told = recorded.learn(installation, log).confidence.suspicions
    ends = [i + 1 for i, entry in enumerate(log) if isinstance(entry, Run)]
    kept: dict[str, bytes] = {}
    for end in ends:
        kept |= recorded.learn(installation, log[:end], kept=kept).to_keep
    looked = [recorded.look_back(installation, log[:end], kept=kept).posterior for end in ends]
    fits = [fit for fit in looked if fit.diagnostics.converged]
    now = gather(installation, log)
    assert len(fits) >= 5
    assert fault_probabilities(fits, now, cores=1) == fault_probabilities(fits, now, cores=2) == told != ()
    assert {s.since_run for s in told} <= set(range(2, 7))
    assert fault_probabilities(fits[:-1], now) != told  # draws of the whole log count


def test_a_first_run_and_two_changes_tell_no_story(recorded: Recommender, installation: Installation) -> None:
    """Without a run before, or across two changes at once, there is nothing to be foretold."""
    assert recorded.learn(installation, [_run(150)]).confidence.suspicions == ()
    log: list[Entry] = [_run(150), ChangeNeedle("taper 30.6"), ChangeNeedle("taper 31.2"), _run(150)]
    assert recorded.learn(installation, log).confidence.suspicions == ()


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_can_be_injected(installation: Installation, fault: str) -> None:
    """Its readings are a sound engine's, to the last digit, until it is there, and differ from then on."""
    rich = next(s for s in range(50) if draw_faulty("", installation, s).truth(_AIR).rise_kelvin > 40.0)
    sound, faulty = (draw_faulty(name, installation, rich) for name in ("", fault))
    faulty.earliest = 3
    seen = [[engine.run(_AIR), engine.run(_AIR)] for engine in (sound, faulty)]
    assert seen[0] == seen[1]
    assert faulty.onset is None
    for engine in (sound, faulty):
        engine.adjust(ChangeNeedle("taper 30.6") if fault == "mark_set_wrong" else TurnScrew(0.25))
    assert sound.run(_AIR) != faulty.run(_AIR)
    assert faulty.onset == 3


def test_a_mark_is_off_however_far_out_the_needle_was_to_be_set(installation: Installation) -> None:
    """The needle stands 1.5 mm from where it was recorded, beyond what a record would take too."""
    engine = draw_faulty("mark_set_wrong", installation, 3)
    for _ in range(engine.earliest - 1):
        engine.run(_AIR)
    engine.adjust(ChangeNeedle("taper 30.6", turns_from_mark=1.75))
    assert engine.position.turns == pytest.approx(1.75 + 1.5e-3 / installation.throttle_body.screw_pitch_m)
    assert engine.position.turns > 2.0
    assert engine.onset == engine.earliest
