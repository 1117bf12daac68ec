"""The model's answer as it is shown: figures in the installation's units, reasons in sentences."""

from collections.abc import Sequence

from taperwise.api.presentation import cautions, prediction_text
from taperwise.api.presentation.fault_text import FAULTS
from taperwise.api.presentation.instruction_text import in_brief, instruction
from taperwise.api.presentation.recommendation_text import lean_elsewhere, notice, refusal, why
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
    first_run, stopped = s.confidence.runs == 0, s.action.cause is InspectCause.LIMIT_EXCEEDED
    expected = PredictionOut.of(s.expected, units)
    worth = [] if stopped else [ReadingWorthOut.of(each, units) for each in s.worth_reading]
    coldest = None if stopped or s.coldest_air is None else ColdestAirOut.of(s.coldest_air, units)
    return SuggestionOut.of(
        s,
        units,
        action=ActionOut.of(
            s.action,
            units,
            instruction=instruction(
                s.action,
                units,
                now=s.confidence,
                first_run=first_run,
                this_air_only=lean_elsewhere(s),
                accepted=s.why.code is ReasonCode.ACCEPTED,
            ),
            cause=s.action.cause,
        ),
        why=why(s),
        why_code=s.why.code,
        expect="" if stopped else " ".join(prediction_text.lines(expected, s.stage, s.action.kind)),
        expected=expected,
        alternatives=[] if stopped else [_alternative(c, units, first_run) for c in s.alternatives],
        cautions=cautions.for_stage(s.stage, stopped),
        confidence=_without_direction(confidence_out(s.confidence, units), stopped),
        warnings=[notice(n, units) for n in s.warnings],
        findings=findings,
        needles=[] if stopped else s.needles,
        runs_to_finish=None if stopped else s.runs_to_finish,
        worth_reading=worth,
        read_next=next_readings(worth) if worth else "",
        coldest_air=coldest,
        when_coldest="" if coldest is None else coldest_air(coldest),
        most_informative=None if stopped or s.most_informative is None else _most(s.most_informative, units, first_run),
    )


def confidence_out(c: Confidence, units: Units) -> ConfidenceOut:
    """How sure the service is, in an installation's units."""
    suspicions = [_suspicion(s, units) for s in c.suspicions]
    return ConfidenceOut.of(c, units, position=c, doubt=c.doubt, suspicions=suspicions)


def _without_direction(c: ConfidenceOut, stopped: bool) -> ConfidenceOut:
    """During a stop nothing says which way to turn, or which needle to choose."""
    return c.model_copy(update={"offset": None, "taper_fit": None, "taper_steps": None}) if stopped else c


def _suspicion(s: Suspicion, units: Units) -> SuspicionOut:
    said = FAULTS[s.kind]
    return SuspicionOut.of(s, units, what=said.what, look_at=said.look_at)


def _in_brief(a: Action, units: Units, first_run: bool) -> ActionOut:
    return ActionOut.of(a, units, instruction=in_brief(a, units, first_run=first_run), cause=a.cause)


def _alternative(c: Candidate, units: Units, first_run: bool) -> AlternativeOut:
    words, code = (None, None) if c.refused is None else (refusal(c.refused), c.refused.code)
    return AlternativeOut.of(c, units, action=_in_brief(c.action, units, first_run), refused=words, refused_code=code)


def _most(m: MostInformative, units: Units, first_run: bool) -> MostInformativeOut:
    return MostInformativeOut.of(m, units, action=_in_brief(m.action, units, first_run))
