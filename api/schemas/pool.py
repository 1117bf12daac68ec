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
    """The owner's consent that this engine's summary enters the pool; it can be revoked at any time."""

    consent: Literal[True]


class ContributionOut(BaseModel):
    """What left, whole; and where it went."""

    withdrawn: bool
    contribution: ContributionDoc | None = Field(description="None once it is withdrawn: it is not kept.")
    in_versions: list[int] = Field(description="Published versions it stands behind.")
    history: list["HappenedOut"] = Field(description="What this engine left and took back; told to its owner alone.")


class HappenedOut(BaseModel):
    """Something an owner did with the pool."""

    quarter: str
    what: Literal["contributed", "withdrawn"]


class StartIn(Wire):
    """Which prior to start from: the pool's or the expert's; before the first run."""

    prior: Literal["pool", "expert"]


class RestsOut(BaseModel):
    """What a prior rests on."""

    engines: int = Field(description="Engines in the pool, 0 for the expert prior.")
    similar: float = Field(description="Effective number of similar ones.")
    spread_full: float = Field(description="Spread of the mixture at full throttle over the expert prior's.")
    spread_idle: float = Field(description="The same at idle.")
    version: int | None
    quarter: str | None = Field(description="When that version was fitted.")


class PriorOut(BaseModel):
    """The prior an engine starts from."""

    prior: Literal["pool", "expert"]
    why: str
    rests: RestsOut


class StartPlace(BaseModel):
    """A needle with its first screw position."""

    needle: str
    turns_from_mark: float = Field(description="Positive is out, richer.")
    chance_both: float = Field(description="Chance that both mixtures are right there.")


class StartOut(BaseModel):
    """Where to start, before the first run."""

    advice: str
    needles: list[StartPlace] = Field(description="The most promising first.")
    prior: PriorOut
    cautions: list[str]


class AuditOut(BaseModel):
    """A version, and what came and went with it: what happens between versions is told with the next one only."""

    quarter: str
    version: int
    engines: int = Field(description="Rounded down to fives; where there is noise, it is on this number too.")
    came: int | None = Field(description="Contributions that the version before had not, rounded down to fives.")
    went: int | None = Field(description="Those that it has no more, in the same way; both None beside noise.")


class PoolOut(BaseModel):
    """The pool: what is published, and what happened to it."""

    floor: int = Field(description="Distinct owners behind anything published, and between any two versions.")
    latest: PublishedDoc | None
    versions: list[int]
    audit: list[AuditOut]
