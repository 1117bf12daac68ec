"""Reasons, refusals and notices in sentences."""

from dataclasses import replace

import pytest

from taperwise.api.presentation.cautions import BEYOND_A_LIMIT, DEFERENCE, LEAN, for_stage
from taperwise.api.presentation.recommendation_text import notice, refusal, why
from taperwise.api.presentation.suggestion import suggestion_out
from taperwise.api.schemas.units import Units
from taperwise.model.design.actions import keep
from taperwise.shared.reasons import IdealSlope, Notice, NoticeCode, Reason, ReasonCode, Refusal, RefusalCode
from taperwise.shared.recommendation import Stage, Suggestion
from taperwise.shared.records import Installation
from tests.api.conftest import StandIn
from tests.conftest import NEEDLES

_NEEDLES = Notice(
    NoticeCode.NEEDLES_MAY_NOT_FIT, chance=0.15, ideal_slope=IdealSlope(0.0271, 0.0275, 0.0279, None, "long one")
)


@pytest.fixture
def suggestion() -> Suggestion:
    """Of the stand-in: full throttle right with a chance of a half, both ends with 0.3."""
    adviser = StandIn(7)
    return adviser.suggest(adviser.learn(Installation(NEEDLES, "taper 30.0"), []))


@pytest.mark.parametrize("code", list(ReasonCode))
@pytest.mark.parametrize("stage", list(Stage))
def test_every_reason_has_its_sentence(suggestion: Suggestion, code: ReasonCode, stage: Stage) -> None:
    """At every stage it can be given at; a reason to choose a step states the chances before and after it."""
    if stage is Stage.TUNED and code is ReasonCode.NOT_SEEN_YET:
        pytest.skip("a tuned engine was seen")
    said = why(replace(suggestion, stage=stage, why=Reason(code, 3)))
    assert said.endswith(".")
    assert said[0].isupper()
    assert "None" not in said


def test_a_chosen_step_is_told_with_its_chances(suggestion: Suggestion) -> None:
    """Before and after it."""
    said = why(replace(suggestion, why=Reason(ReasonCode.SMALLEST_STEP_AS_GOOD, 3)))
    assert said == (
        "Full throttle: 50\u00a0% chance of being in target now, 50\u00a0% after this step. 3 steps do equally "
        "well, and this is the smallest."
    )


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (
            Refusal(RefusalCode.LEAN_OF_PEAK, 0.12, 0.01, 0.05),
            "Danger: 12\u00a0% chance of running lean of peak at full throttle, above the limit of 5\u00a0%",
        ),
        (
            Refusal(RefusalCode.LEAN_OF_PEAK, 0.12, 0.08, 0.05),
            "above the limit of 5\u00a0%. The chance is 8\u00a0% now, so only richer steps are allowed",
        ),
        (Refusal(RefusalCode.LEADS_AWAY), "further from the full-throttle target range"),
        (Refusal(RefusalCode.LOSES_FULL_THROTTLE, 0.5), "leave its target range: 50\u00a0% chance"),
        (Refusal(RefusalCode.IDLE_NOT_SEEN), "not judged the idle"),
        (Refusal(RefusalCode.ONE_RUN_IS_NOT_ENOUGH), "One run is not enough"),
        (Refusal(RefusalCode.KNOWN_TO_BE_WRONG), "would not help"),
    ],
)
def test_refusals(given: Refusal, words: str) -> None:
    """With the chances they rest on."""
    assert refusal(given).endswith(words) or words in refusal(given)


def test_every_refusal_has_its_words() -> None:
    """Each of its own."""
    assert len({refusal(Refusal(code)) for code in RefusalCode}) == len(RefusalCode)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (Notice(NoticeCode.RUNS_LEFT_OUT, runs=3), "3 runs are not used"),
        (Notice(NoticeCode.RUNS_LEFT_OUT, runs=1), "1 run is not used"),
        (Notice(NoticeCode.NOT_CONVERGED), "Do not act on these figures"),
        (Notice(NoticeCode.LEAN_IN_DENSER_AIR, density_ratio=1.1, chance=0.2), "air 1.10 times as dense"),
        (_NEEDLES, "15\u00a0% chance that one of yours suits both mixtures"),
        (
            _NEEDLES,
            "The best is one of about 27.5 mm/m (27.1 to 27.9 mm/m, 9 times in 10), shallower than your long one.",
        ),
        (_NEEDLES, "check the fuel supply"),
    ],
)
def test_notices(given: Notice, words: str) -> None:
    """With their figures."""
    assert words in notice(given, Units())


def test_a_card_has_one_verdict(suggestion: Suggestion) -> None:
    """Where the setting is too lean in denser air, what is confirmed is so for the air of the runs alone."""
    lean = Notice(NoticeCode.LEAN_IN_DENSER_AIR, density_ratio=1.1, chance=0.68)
    confirmed = replace(suggestion, stage=Stage.TUNED, why=Reason(ReasonCode.ALL_CONFIRMED), action=keep())
    out = suggestion_out(replace(confirmed, warnings=(lean,)), Units())
    assert "for the air of your runs only" in out.action.instruction
    assert "in the air of your runs" in out.why
    assert out.warnings[0].startswith("Danger in colder air: 68\u00a0% chance")
    assert "only" not in suggestion_out(confirmed, Units()).action.instruction


@pytest.mark.parametrize("stage", list(Stage))
def test_cautions_end_in_the_deference(stage: Stage) -> None:
    """Whatever the stage; a limit that was exceeded comes first."""
    assert for_stage(stage)[0] == LEAN
    assert for_stage(stage, beyond_a_limit=True)[0] == BEYOND_A_LIMIT
    assert for_stage(stage)[-1] == DEFERENCE
    assert "licensed" in DEFERENCE
    assert "in flight" in DEFERENCE
