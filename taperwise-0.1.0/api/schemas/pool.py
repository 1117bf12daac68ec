"""The pool as the service speaks of it."""

from typing import Literal

from pydantic import BaseModel, Field

from taperwise.api.schemas.pool_documents import ContributionDoc, PublishedDoc
from taperwise.api.schemas.quantities import Wire

__all__ = [
    "AuditOut",
    "ConsentIn",
    "ContributionOut",
    "HappenedOut",
    "PoolOut",
    "PriorOut",
    "RestsOut",
    "StartIn",
    "StartOut",
    "StartPlace",
]


class ConsentIn(Wire):
    """The owner's consent to share the summary. The owner can withdraw the summary at any time."""

    consent: Literal[True] = Field(description="The owner's consent: true.")


class ContributionOut(BaseModel):
    """The shared summary, and the versions that include it."""

    withdrawn: bool = Field(description="Whether the summary was withdrawn.")
    contribution: ContributionDoc | None = Field(
        description="The shared summary, complete. Null: withdrawn, so deleted."
    )
    in_versions: list[int] = Field(description="Published versions that include the summary.")
    history: list["HappenedOut"] = Field(description="Events of this engine's summary, for its owner only.")


class HappenedOut(BaseModel):
    """An event of a shared summary."""

    quarter: str = Field(description="Quarter of the year, such as 2026Q1.")
    what: Literal["contributed", "withdrawn"] = Field(description="Kind of event.")


class StartIn(Wire):
    """Choice of a starting estimate, before the first run."""

    prior: Literal["pool", "expert"] = Field(
        description="Starting estimate: the shared pool's or the standard one (`expert`)."
    )


class RestsOut(BaseModel):
    """Basis of a starting estimate."""

    engines: int = Field(
        description="Number of engines in the pool, rounded down to a multiple of 5; 0 for the standard estimate."
    )
    similar: float = Field(description="Effective number of similar engines [-].")
    spread_full: float = Field(
        description="Spread of the mixture at full throttle over that of the standard estimate [-]."
    )
    spread_idle: float = Field(description="Spread of the mixture at idle over that of the standard estimate [-].")
    version: int | None = Field(description="Number of the pool version. Null: the standard estimate.")
    quarter: str | None = Field(description="Quarter in which the version was published. Null: the standard estimate.")


class PriorOut(BaseModel):
    """The starting estimate of an engine."""

    prior: Literal["pool", "expert"] = Field(description="Starting estimate in use.")
    why: str = Field(description="Reason, in words.")
    rests: RestsOut = Field(description="Basis of the starting estimate.")


class StartPlace(BaseModel):
    """A needle with its best holder position."""

    needle: str = Field(description="Label of the needle.")
    turns_from_mark: float = Field(description="Holder position from the mark [turns]; positive = out, richer.")
    chance_both: float = Field(description="Chance that both mixtures are in target there [0 to 1].")


class StartOut(BaseModel):
    """Where to start, before the first run."""

    advice: str = Field(description="Advice on where to start, in words.")
    needles: list[StartPlace] = Field(description="Needles with their best setting, the most promising first.")
    prior: PriorOut = Field(description="Starting estimate in use.")
    cautions: list[str] = Field(description="Cautions, the most serious first.")


class AuditOut(BaseModel):
    """A published version with what changed since the one before."""

    quarter: str = Field(description="Quarter in which the version was published.")
    version: int = Field(description="Number of the version.")
    engines: int = Field(
        description="Number of engines, rounded down to a multiple of 5, with noise if the version has any."
    )
    came: int | None = Field(
        description="Number of new summaries, rounded down to a multiple of 5. Null: the version has noise."
    )
    went: int | None = Field(
        description="Number of summaries that are gone, rounded down to a multiple of 5. Null: the version has noise."
    )


class PoolOut(BaseModel):
    """The shared pool: its latest version and what changed."""

    floor: int = Field(description="Least number of owners behind a published version, and between any two versions.")
    latest: PublishedDoc | None = Field(description="Latest published version. Null: none yet.")
    versions: list[int] = Field(description="Numbers of all published versions.")
    audit: list[AuditOut] = Field(description="Published versions with what changed, in order.")
