"""The model's answer as it is shown: figures in the installation's units, reasons in sentences."""

from taperwise.api.presentation import cautions, prediction_text
from taperwise.api.presentation.fault_text import FAULTS
from taperwise.api.presentation.instruction_text import instruction
from taperwise.api.presentation.recommendation_text import notice, refusal, why
from taperwise.api.schemas.recommendation import (
    ActionOut,
    AlternativeOut,
    ConfidenceOut,
    DiagnosticsOut,
    InformationOut,
    IntervalOut,
    MostInformativeOut,
    NeedleOut,
    Position,
    PredictionOut,
    ProvenanceOut,
    RunsToFinishOut,
    StageOut,
    SuggestionOut,
    SuspicionOut,
    six_digits,
)
from taperwise.api.schemas.units import Units
from taperwise.shared.reasons import InspectCause, Suspicion
from taperwise.shared.recommendation import Action, Candidate, Confidence, MostInformative, Provenance, Suggestion

__all__ = ["confidence_out", "suggestion_out"]


def suggestion_out(s: Suggestion, units: Units) -> SuggestionOut:
    """The answer in an installation's units.

    Parameters
    ----------
    s : Suggestion
    units : Units
    """
    first_run = s.confidence.runs == 0
    expected = PredictionOut.of(s.expected, units)
    return SuggestionOut(
        stage=s.stage.value,
        action=_action(s.action, units, first_run),
        why=why(s),
        why_code=s.why.code.value,
        expect=" ".join(prediction_text.lines(expected, s.stage.value, s.action.kind.value)),
        expected=expected,
        information=InformationOut.of(s.information, units),
        alternatives=[_alternative(c, units, first_run) for c in s.alternatives],
        cautions=list(cautions.for_stage(s.stage, s.action.cause is InspectCause.LIMIT_EXCEEDED)),
        confidence=confidence_out(s.confidence, units),
        provenance=_provenance(s.provenance),
        warnings=[notice(n) for n in s.warnings],
        needles=[
            NeedleOut(needle=n.needle, turns_from_mark=n.turns_from_mark, chance_both=n.chance_both) for n in s.needles
        ],
        most_informative=None if s.most_informative is None else _most(s.most_informative, units, first_run),
        runs_to_finish=None
        if s.runs_to_finish is None
        else RunsToFinishOut(
            expected=s.runs_to_finish.expected,
            low_80=s.runs_to_finish.low_80,
            high_80=s.runs_to_finish.high_80,
        ),
    )


def confidence_out(c: Confidence, units: Units) -> ConfidenceOut:
    """How sure the service is, in an installation's units."""
    return ConfidenceOut(
        stage=c.stage.value,
        full_throttle=StageOut.of(c.full_throttle),
        idle_mixture=StageOut.of(c.idle_mixture),
        idle_speed=StageOut.of(c.idle_speed),
        both=c.chance_both,
        lean_chance=c.lean_chance,
        offset=IntervalOut.of(c.offset_turns, None, "turn"),
        taper_fit=IntervalOut.of(c.taper_misfit, "taper", units.taper),
        position=Position(fitted_needle=c.fitted_needle, turns=c.position_turns, idle_stop_turns=c.idle_stop_turns),
        runs=c.runs,
        runs_used=c.runs_used,
        doubt=c.doubt,
        suspicions=[_suspicion(s) for s in c.suspicions],
    )


def _suspicion(s: Suspicion) -> SuspicionOut:
    said = FAULTS[s.kind]
    return SuspicionOut(kind=s.kind.value, chance=s.chance, what=said.what, look_at=said.look_at, since_run=s.since_run)


def _action(a: Action, units: Units, first_run: bool) -> ActionOut:
    return ActionOut(
        kind=a.kind.value,
        instruction=instruction(a, units, first_run=first_run),
        turns=a.turns,
        needle=a.needle,
        turns_from_mark=a.turns_from_mark,
        hex_direction=a.hex_direction.value if a.hex_direction else None,
        effect=a.effect,
        cause=a.cause.value if a.cause else None,
    )


def _alternative(c: Candidate, units: Units, first_run: bool) -> AlternativeOut:
    return AlternativeOut(
        action=_action(c.action, units, first_run),
        information=None if c.information is None else InformationOut.of(c.information, units),
        expected=PredictionOut.of(c.prediction, units),
        price_runs=c.price_runs,
        refused=None if c.refused is None else refusal(c.refused),
        refused_code=None if c.refused is None else c.refused.code.value,
    )


def _most(m: MostInformative, units: Units, first_run: bool) -> MostInformativeOut:
    return MostInformativeOut(
        action=_action(m.action, units, first_run),
        information=InformationOut.of(m.information, units),
        loss_nats=six_digits(m.loss_nats),
    )


def _provenance(p: Provenance) -> ProvenanceOut:
    d = p.diagnostics
    return ProvenanceOut(
        seed=p.seed,
        model_version=p.model_version,
        diagnostics=DiagnosticsOut(
            converged=d.converged,
            rhat_max=d.rhat_max,
            ess_bulk_min=d.ess_bulk_min,
            ess_tail_min=d.ess_tail_min,
            divergences=d.divergences,
            chains=d.chains,
            draws=d.draws,
            refits=d.refits,
        ),
    )
