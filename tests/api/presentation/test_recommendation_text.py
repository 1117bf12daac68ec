"""Reasons, refusals and notices in sentences."""

from dataclasses import replace

import pytest

from taperwise.api.presentation.cautions import BEYOND_A_LIMIT, DEFERENCE, LEAN, for_stage
from taperwise.api.presentation.recommendation_text import notice, refusal, why
from taperwise.shared.reasons import Notice, NoticeCode, Reason, ReasonCode, Refusal, RefusalCode
from taperwise.shared.recommendation import Stage, Suggestion
from taperwise.shared.records import Installation
from tests.api.conftest import StandIn
from tests.conftest import NEEDLES


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
        "Full throttle is in its band with a chance of 50%; after this it would be with 50%; it is the smallest of 3 "
        "steps as good."
    )


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (Refusal(RefusalCode.LEAN_OF_PEAK, 0.12, 0.01, 0.05), "would be 12%, above the limit of 5%"),
        (
            Refusal(RefusalCode.LEAN_OF_PEAK, 0.12, 0.08, 0.05),
            "would be 12%, above the limit of 5% (it is 8% now: only richer steps are allowed)",
        ),
        (Refusal(RefusalCode.LEADS_AWAY), "further from the full-throttle band"),
        (Refusal(RefusalCode.LOSES_FULL_THROTTLE, 0.5), "out of its band (chance in band 50%)"),
        (Refusal(RefusalCode.IDLE_NOT_SEEN), "the idle has not been looked at"),
        (Refusal(RefusalCode.ONE_RUN_IS_NOT_ENOUGH), "a single run condemns no needle"),
        (Refusal(RefusalCode.KNOWN_TO_BE_WRONG), "settles nothing"),
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
        (Notice(NoticeCode.RUNS_LEFT_OUT, runs=3), "3 early runs were left out"),
        (Notice(NoticeCode.NOT_CONVERGED), "take no figure here as settled"),
        (Notice(NoticeCode.LEAN_IN_DENSER_AIR, density_ratio=1.1, chance=0.2), "(air 1.10 times as dense"),
    ],
)
def test_notices(given: Notice, words: str) -> None:
    """With their figures."""
    assert words in notice(given)


@pytest.mark.parametrize("stage", list(Stage))
def test_cautions_end_in_the_deference(stage: Stage) -> None:
    """Whatever the stage; a limit that was exceeded comes first."""
    assert for_stage(stage)[0] == LEAN
    assert for_stage(stage, beyond_a_limit=True)[0] == BEYOND_A_LIMIT
    assert for_stage(stage)[-1] == DEFERENCE
    assert "licensed" in DEFERENCE
    assert "in flight" in DEFERENCE
