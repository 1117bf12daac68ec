"""What happens when an owner contributes, withdraws, or asks where to start."""

from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy.orm import Session

from taperwise.api.accounts import repository as people
from taperwise.api.accounts.principal import current
from taperwise.api.core.database import Installation as InstallationRow
from taperwise.api.installations import repository as installations
from taperwise.api.installations.prior import in_our_scale, prior_of, prior_row, put_prior
from taperwise.api.installations.stored import installation_of
from taperwise.api.log import repository as log_storage
from taperwise.api.pooling import repository
from taperwise.api.pooling.log_digest import log_digest
from taperwise.api.pooling.prior_source import Basis, basis_of
from taperwise.api.pooling.tables import Contribution
from taperwise.api.schemas.pool import AuditOut, ContributionOut, HappenedOut, PoolOut, PriorOut, RestsOut
from taperwise.api.schemas.pool_documents import ContributionDoc, PublishedDoc, contribution_of, quarter_of
from taperwise.model import MODEL_VERSION
from taperwise.model.inference.engine_prior import EnginePrior
from taperwise.model.population.covariates import kind_of
from taperwise.model.population.predictive_prior import EXPERT_SERVED, Served, predictive_prior
from taperwise.model.population.scale import SCALE
from taperwise.model.population.summary import Summary
from taperwise.shared.errors import ConflictError, NotFoundError
from taperwise.shared.records import Entry, Installation

__all__ = [
    "contribute",
    "is_shared",
    "keep_prior",
    "latest_contribution",
    "now_quarter",
    "on_owner_changed",
    "prior_for",
    "prior_of_similar_engines",
    "prior_out",
    "require_shareable",
    "sharing_refusal",
    "shown",
    "state_of",
    "withdraw",
    "withdraw_live",
]  # fmt: skip


def now_quarter(now: datetime) -> str:
    """The quarter it is."""
    return quarter_of(now.year, now.month)


def sharing_refusal(row: InstallationRow) -> ConflictError | None:
    """Why an engine's summary cannot be shared, whatever its runs say; None if it can."""
    if row.imported:
        return ConflictError(
            "This engine is a copy from an export file. The pool takes each engine once, and only from "
            "its owner", field="consent",
            cure="Share the summary where it was first recorded. An engine that you set up here yourself can be shared "
            "here.",
        )  # fmt: skip
    if row.owner_id is None:
        return ConflictError(
            "This engine has no owner, and the pool counts owners", field="consent",
            cure="Have whoever runs the service turn sign-in on (`TAPERWISE_ACCESS=keys`) and give the engine to its "
            "owner (`taperwise person give`), then share its summary.",
        )  # fmt: skip
    if not _measured(row):
        return ConflictError(
            f"{_UNMEASURED}, and the pool compares engines by them", field="consent",
            cure="Measure the needles, set the engine up again with their slopes, and share that one's summary.",
        )  # fmt: skip
    return None


_UNMEASURED = "the taper slopes of this engine's needles were never measured"


def _measured(row: InstallationRow) -> bool:
    return not installation_of(row).record().by_order


def require_shareable(session: Session, installation_id: int, *, lock: bool = False) -> InstallationRow:
    """An installation whose summary may be shared if its owner agrees.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    ConflictError
        If it is an imported copy, or nobody's, or its needles are known by their order alone.
    """
    row = installations.get(session, installation_id, lock=lock)
    refusal = sharing_refusal(row)
    if refusal is not None:
        raise refusal
    return row


def contribute(session: Session, installation_id: int, entries: Sequence[Entry], summary: Summary) -> ContributionOut:
    """Keep what an engine leaves; what it left before is withdrawn.

    Parameters
    ----------
    entries : sequence of Entry
        The log that the summary was made from. That another contribution is of the same engine is told to nobody.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    ConflictError
        If it is an imported copy, or nobody's, or the very same is there already.
        Or if what it left could not be read again: nothing is kept then.
    """
    installation = require_shareable(session, installation_id, lock=True)
    sent = installation_of(installation)
    now = datetime.now(UTC)
    try:
        document = contribution_of(summary, kind_of(sent.record()), MODEL_VERSION, now_quarter(now))
        document.summary()
    except ValueError as error:
        raise ConflictError(
            f"No summary can be made of this engine: {str(error).splitlines()[0]}", field="consent", value=True,
            cure="Make another run, then share the summary again.",
        ) from error  # fmt: skip
    plain = document.model_dump(mode="json")
    if any(row.document == plain for row in repository.of_installation(session, installation_id)):
        raise ConflictError(
            "This summary is in the pool already", field="consent", value=True,
            cure="Make another run, then share the summary again.",
        )  # fmt: skip
    withdraw_live(session, installation_id, now)
    owner = _token(session, installation)
    row = repository.add(session, installation_id, owner, log_digest(entries), plain, now)
    repository.audit(session, "contributed", now, contribution=row.id)
    return _outward(session, installation_id, row)


def _token(session: Session, installation: InstallationRow) -> str:
    """What stands for an owner, so that nothing leads back to somebody erased; empty where there is none."""
    if installation.owner_id is None:
        return ""
    return people.person(session, installation.owner_id).pool_token or ""  # all have one but those who are erased


def withdraw(session: Session, installation_id: int) -> ContributionOut:
    """Take a contribution back: it is deleted here and stands behind no version published from now on.

    Raises
    ------
    NotFoundError
        If there is none to withdraw.
    """
    installations.get(session, installation_id, lock=True)
    if not withdraw_live(session, installation_id, datetime.now(UTC)):
        raise _nothing(installation_id)
    return shown(session, installation_id)


def withdraw_live(session: Session, installation_id: int, now: datetime) -> int:
    """Withdraw whatever an installation has in the pool; how many that were."""
    live = [row for row in repository.of_installation(session, installation_id) if row.withdrawn_at is None]
    for row in live:
        row.withdrawn_at, row.document = now, None
        repository.audit(session, "withdrawn", now, contribution=row.id)
    session.flush()
    return len(live)


def _nothing(installation_id: int) -> NotFoundError:
    return NotFoundError(
        "This engine has no shared summary", field="installation_id", value=installation_id,
        cure="Share the summary first.",
    )  # fmt: skip


def shown(session: Session, installation_id: int) -> ContributionOut:
    """The latest contribution of an installation.

    Raises
    ------
    NotFoundError
        If there was none.
    """
    installations.get(session, installation_id)
    rows = repository.of_installation(session, installation_id)
    if not rows:
        raise _nothing(installation_id)
    return _outward(session, installation_id, rows[-1])


def latest_contribution(session: Session, installation_id: int) -> ContributionOut | None:
    """What an installation left last; None if it left nothing yet."""
    try:
        return shown(session, installation_id)
    except NotFoundError:
        return None


def is_shared(session: Session, installation_id: int) -> bool:
    """Whether an installation has a summary in the pool that was not withdrawn."""
    return any(row.withdrawn_at is None for row in repository.of_installation(session, installation_id))


def _outward(session: Session, installation_id: int, row: Contribution) -> ContributionOut:
    rows = repository.of_installation(session, installation_id) if _is_theirs(session, installation_id) else []
    happened = repository.happened_to(session, {each.id for each in rows})
    return ContributionOut(
        withdrawn=row.withdrawn_at is not None,
        contribution=None if row.document is None else ContributionDoc.model_validate(row.document),
        in_versions=repository.versions_of(session, row.id),
        history=[HappenedOut.model_validate({"quarter": now_quarter(a.at), "what": a.what}) for a in happened],
    )


def _is_theirs(session: Session, installation_id: int) -> bool:
    """Whether whoever asks owns it, or this machine."""
    asker = current()
    return asker.everything or asker.person_id == installations.get(session, installation_id).owner_id


def state_of(session: Session, floor: int) -> PoolOut:
    """The pool as anyone may see it: nothing of what came or went since the latest version."""
    published = [PublishedDoc.model_validate(v.document) for v in repository.versions(session)]
    return PoolOut(
        floor=floor,
        latest=published[-1] if published else None,
        versions=[each.version for each in published],
        audit=[
            AuditOut(quarter=each.quarter, version=each.version, engines=each.engines, came=each.came, went=each.went)
            for each in published
        ],
    )


def prior_for(session: Session, installation_id: int, wanted: str) -> dict[str, Any]:
    """The prior that an installation would start from, as it is kept. It may take a minute; nothing is stored.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    ConflictError
        If something was recorded already, or the engine's own summary is in the version, or the pool is asked about
        needles that nobody measured.
    """
    row = installations.get(session, installation_id)
    sent = installation_of(row)
    _before_the_first_entry(session, installation_id, wanted)
    if wanted == "pool" and not _measured(row):
        raise ConflictError(f"{_UNMEASURED}, and the pool knows engines by them", field="prior", value=wanted,
                            cure="Choose the standard starting estimate, or measure the needles first.")  # fmt: skip
    basis = Basis("as asked for") if wanted != "pool" else basis_of(session, installation_id)
    if basis.own:
        raise ConflictError(
            f"The starting estimate may not include this engine: {basis.why}",
            field="prior",
            value=wanted,
            cure="Choose the standard starting estimate.",
        )
    found = basis.population
    served = EXPERT_SERVED if found is None else predictive_prior(found, kind_of(sent.record()))
    return _prior_document(served, basis.why, basis.version, basis.quarter)


def keep_prior(session: Session, installation_id: int, wanted: str, document: dict[str, Any]) -> PriorOut:
    """Keep the prior an installation starts from; it stays the same from then on.

    Raises
    ------
    NotFoundError
        If there is no such installation.
    ConflictError
        If something was recorded meanwhile.
    """
    installations.get(session, installation_id, lock=True)
    _before_the_first_entry(session, installation_id, wanted)
    put_prior(session, installation_id, document["rests"]["version"], document)
    repository.forget_answer(session, installation_id)
    return prior_out(document)


def _before_the_first_entry(session: Session, installation_id: int, wanted: str) -> None:
    if log_storage.last_sequence(session, installation_id):
        raise ConflictError(
            "You can choose a starting estimate only before the first entry", field="prior", value=wanted,
            cure="Set up the engine again to choose another starting estimate.",
        )  # fmt: skip


def on_owner_changed(session: Session, installation_id: int) -> None:
    """An installation has another owner: what it left is theirs. What it started from stays."""
    row = installations.get(session, installation_id)
    repository.set_owner(session, installation_id, _token(session, row))


def prior_of_similar_engines(
    session: Session, installation_id: int, installation: Installation
) -> tuple[EnginePrior | None, str]:
    """What the pool says of engines like this one, for comparing; None with the reason where it says nothing.

    The prior it started from where that was the pool's, else the latest version, unless it is in it itself.
    """
    if installation.by_order:
        return None, _UNMEASURED
    row = prior_row(session, installation_id)
    if row is not None and row.version is not None and in_our_scale(row.document):
        return prior_of(row), f"version {row.version}, which it started from"
    basis = basis_of(session, installation_id)
    if basis.population is None:
        return None, basis.why
    return predictive_prior(basis.population, kind_of(installation)).prior, f"version {basis.version} of the pool"


def _prior_document(served: Served, why: str, version: int | None, quarter: str | None) -> dict[str, Any]:
    rests = served.rests
    return {
        "scale": SCALE,
        "centre": list(served.prior.centre),
        "root": [list(row) for row in served.prior.root],
        "odd": served.prior.odd,
        "why": why,
        "rests": {
            "engines": rests.engines // 5 * 5,
            "similar": round(rests.similar, 2),
            "spread_full": round(rests.narrower_full, 3),
            "spread_idle": round(rests.narrower_idle, 3),
            "version": version,
            "quarter": quarter,
        },
    }


def prior_out(document: dict[str, Any] | None) -> PriorOut:
    """A prior as it is shown."""
    expert = "no other one was chosen" if document is None else "the pool's estimate is in units of another release"
    kept = document if in_our_scale(document) else _prior_document(EXPERT_SERVED, expert, None, None)
    rests = RestsOut.model_validate(kept["rests"])
    return PriorOut(prior="expert" if rests.version is None else "pool", why=kept["why"], rests=rests)
