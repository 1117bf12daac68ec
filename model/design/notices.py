"""What an answer warns of, beside its step."""

from taperwise.model.inference.sampler import Posterior
from taperwise.model.prediction.density_sensitivity import on_a_cold_low_day
from taperwise.shared.reasons import Notice, NoticeCode
from taperwise.shared.recommendation import Action, ActionKind

__all__ = ["notices"]


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
