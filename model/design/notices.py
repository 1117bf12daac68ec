"""What an answer warns of, beside its step."""

from taperwise.model.design.candidates import RUNS_THAT_CONDEMN, CandidateSet
from taperwise.model.design.ideal_needle import ideal_needle
from taperwise.model.inference.sampler import Posterior
from taperwise.model.prediction.density_sensitivity import on_a_cold_low_day
from taperwise.shared.reasons import Notice, NoticeCode
from taperwise.shared.recommendation import Action, ActionKind, Confidence
from taperwise.shared.records import Installation

__all__ = ["needles_notice", "notices"]

_MAY_NOT_FIT = 1 / 3  # chance that any needle on hand fits below which the builder is told; judgement


def notices(posterior: Posterior, action: Action) -> tuple[Notice, ...]:
    """Warnings of an answer: runs that were left out, draws not to be believed, air in which the setting is too lean.

    Parameters
    ----------
    posterior : Posterior
        Of the log.
    action : Action
        The step that the answer suggests.
    """
    evidence = posterior.evidence
    found = []
    left_out = evidence.runs - evidence.runs_used
    if left_out:
        found.append(Notice(NoticeCode.RUNS_LEFT_OUT, runs=left_out))
    if not posterior.diagnostics.converged:
        found.append(Notice(NoticeCode.NOT_CONVERGED))
    return (*found, *_denser_air(posterior, action))


def _denser_air(posterior: Posterior, action: Action) -> tuple[Notice, ...]:
    """Tuned here is not tuned everywhere: what is right in thin air may be too lean in dense air."""
    if action.kind is not ActionKind.KEEP:
        return ()
    cold = on_a_cold_low_day(posterior)
    if cold.lean_chance <= posterior.evidence.installation.limits.lean_chance:
        return ()
    return (Notice(NoticeCode.LEAN_IN_DENSER_AIR, density_ratio=cold.density_ratio, chance=cold.lean_chance),)


def needles_notice(
    weighing: CandidateSet, confidence: Confidence, action: Action, installation: Installation
) -> tuple[Notice, ...]:
    """Long before the needles on hand are given up: that likely none of them fits, while a better one can be had.

    Parameters
    ----------
    weighing : CandidateSet
    confidence : Confidence
    action : Action
        The step that the answer suggests; one that looks for a cause names the better needle itself.
    installation : Installation
    """
    seen = weighing.rise_read and confidence.idle_mixture.observed and confidence.runs >= RUNS_THAT_CONDEMN
    if not seen or action.cause is not None or weighing.any_chance >= _MAY_NOT_FIT:
        return ()
    better = ideal_needle(confidence, installation)
    return (Notice(NoticeCode.NEEDLES_MAY_NOT_FIT, chance=weighing.any_chance, ideal_slope=better),)
