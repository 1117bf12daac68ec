"""The model's answer as it is shown: figures in the installation's units, reasons in sentences."""

from collections.abc import Sequence

from taperwise.api.presentation import cautions, prediction_text
from taperwise.api.presentation.fault_text import FAULTS
from taperwise.api.presentation.instruction_text import instruction
from taperwise.api.presentation.recommendation_text import notice, refusal, why
from taperwise.api.presentation.to_come_text import coldest_air, next_readings
from taperwise.api.schemas.findings import FindingOut
from taperwise.api.schemas.recommendation import (
    ActionOut,
    AlternativeOut,
    ColdestAirOut,
    ConfidenceOut,
    MostInformativeOut,
    PredictionOut,
    ReadingWorthOut,
    SuggestionOut,
    SuspicionOut,
)
from taperwise.api.schemas.units import Units
from taperwise.shared.reasons import InspectCause, ReasonCode, Suspicion
from taperwise.shared.recommendation import Action, Candidate, Confidence, MostInformative, Suggestion

__all__ = ["confidence_out", "suggestion_out"]


def suggestion_out(s: Suggestion, units: Units, findings: Sequence[FindingOut] = ()) -> SuggestionOut:
    """The answer in an installation's units.

    Parameters
    ----------
    s : Suggestion
    units : Units
    findings : sequence of FindingOut
        What logger files showed, as far as it is open.
    """
    first_run = s.confidence.runs == 0
    expected = PredictionOut.of(s.expected, units)
    worth = [ReadingWorthOut.of(each, units) for each in s.worth_reading]
    coldest = None if s.coldest_air is None else ColdestAirOut.of(s.coldest_air, units)
    return SuggestionOut.of(
        s,
        units,
        action=_action(s.action, units, first_run, accepted=s.why.code is ReasonCode.ACCEPTED),
        why=why(s),
        why_code=s.why.code,
        expect=" ".join(prediction_text.lines(expected, s.stage, s.action.kind)),
        expected=expected,
        alternatives=[_alternative(c, units, first_run) for c in s.alternatives],
        cautions=cautions.for_stage(s.stage, s.action.cause is InspectCause.LIMIT_EXCEEDED),
        confidence=confidence_out(s.confidence, units),
        warnings=[notice(n) for n in s.warnings],
        findings=findings,
        worth_reading=worth,
        read_next=next_readings(worth),
        coldest_air=coldest,
        when_coldest="" if coldest is None else coldest_air(coldest),
        most_informative=None if s.most_informative is None else _most(s.most_informative, units, first_run),
    )


def confidence_out(c: Confidence, units: Units) -> ConfidenceOut:
    """How sure the service is, in an installation's units."""
    suspicions = [_suspicion(s, units) for s in c.suspicions]
    return ConfidenceOut.of(c, units, position=c, doubt=c.doubt, suspicions=suspicions)


def _suspicion(s: Suspicion, units: Units) -> SuspicionOut:
    said = FAULTS[s.kind]
    return SuspicionOut.of(s, units, what=said.what, look_at=said.look_at)


def _action(a: Action, units: Units, first_run: bool, *, accepted: bool = False) -> ActionOut:
    words = instruction(a, units, first_run=first_run, accepted=accepted)
    return ActionOut.of(a, units, instruction=words, cause=a.cause)


def _alternative(c: Candidate, units: Units, first_run: bool) -> AlternativeOut:
    said, code = (None, None) if c.refused is None else (refusal(c.refused), c.refused.code)
    return AlternativeOut.of(c, units, action=_action(c.action, units, first_run), refused=said, refused_code=code)


def _most(m: MostInformative, units: Units, first_run: bool) -> MostInformativeOut:
    return MostInformativeOut.of(m, units, action=_action(m.action, units, first_run))
