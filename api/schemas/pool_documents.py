"""Documents of the pool: what leaves an installation, and what is published."""

import math
from typing import Annotated, Final, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, StringConstraints

from taperwise.api.schemas.quantities import Wire
from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.population.covariates import COVARIATES, Kind
from taperwise.model.population.published import Published
from taperwise.model.population.scale import SCALE
from taperwise.model.population.summary import Component, Summary
from taperwise.shared.records import Cooling, Fuel

__all__ = [
    "SCHEMA_VERSION", "ComponentDoc", "ContributionDoc", "KindDoc", "NoiseDoc", "PublishedDoc", "contribution_of",
    "quarter_of",
]  # fmt: skip

SCHEMA_VERSION: Final = 1
"""Of every document of the pool; raised when its meaning changes."""

Scale = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{16}$")]
_Real = Annotated[float, Field(allow_inf_nan=False, ge=-1e9, le=1e9)]
_DIGITS = 5
_ROUNDED = 1e-4  # what rounding to so many digits may move an eigenvalue by, in parts of the largest; seven rows


class ComponentDoc(Wire):
    """One normal component of a likelihood: exp(ln_weight + shift·θ − θ·precision·θ/2)."""

    precision: Annotated[list[list[_Real]], Field(min_length=len(POOLED), max_length=len(POOLED))]
    shift: Annotated[list[_Real], Field(min_length=len(POOLED), max_length=len(POOLED))]
    ln_weight: _Real


class KindDoc(Wire):
    """Coarse traits."""

    gas_speed: int = Field(ge=-20, le=20, description="Steps of a quarter in ln(gas speed through the bore / 60 m/s).")
    cylinders: Literal["1-2", "3-4", "5-6", "7 or more"]
    cooling: Literal["air", "liquid"]
    fuel: Literal["avgas", "mogas", "mogas_e10"]
    taper: int = Field(ge=0, le=1000, description="Taper slope of the middle needle, to 1 mm/m.")


class ContributionDoc(Wire):
    """All that leaves an installation: no number, name, place, text, nor a time finer than a quarter."""

    schema_version: Literal[1] = SCHEMA_VERSION
    scale: Scale = Field(description="What the units below mean; other scales are not read.")
    unknowns: list[str] = Field(description="Order of the entries; each in units of the expert prior's spread.")
    model_version: str = Field(max_length=20)
    quarter: Annotated[str, StringConstraints(pattern=r"^\d{4}Q[1-4]$")]
    kind: KindDoc
    components: Annotated[list[ComponentDoc], Field(min_length=1, max_length=3)]

    def summary(self) -> Summary:
        """What the runs said.

        Raises
        ------
        ValueError
            If the unknowns or their units are not those of this release, or a precision is none.
        """
        if tuple(self.unknowns) != POOLED or self.scale != SCALE:
            raise ValueError("The unknowns or their units differ from those of this release")
        found = []
        for c in self.components:
            precision = np.array(c.precision, float)
            if precision.shape != (len(POOLED), len(POOLED)) or not np.allclose(precision, precision.T, atol=1e-3):
                raise ValueError("A precision must be symmetric")
            found.append(Component(_not_negative(precision), np.array(c.shift, float), c.ln_weight))
        return Summary(tuple(found), 0.0)

    def engine_kind(self) -> Kind:
        """The kind of engine."""
        k = self.kind
        return Kind(k.gas_speed, k.cylinders, Cooling(k.cooling), Fuel(k.fuel), k.taper)


def contribution_of(summary: Summary, kind: Kind, model_version: str, quarter: str) -> ContributionDoc:
    """The document of one engine, rounded to five digits."""
    return ContributionDoc(
        scale=SCALE,
        unknowns=list(POOLED),
        model_version=model_version,
        quarter=quarter,
        kind=KindDoc.model_validate(
            {
                "gas_speed": kind.gas_speed, "cylinders": kind.cylinders, "cooling": str(kind.cooling),
                "fuel": str(kind.fuel), "taper": kind.taper,
            }
        ),
        components=[
            ComponentDoc(
                precision=[[_short(x) for x in row] for row in c.precision],
                shift=[_short(x) for x in c.shift],
                ln_weight=_short(c.ln_weight),
            )
            for c in summary.components
        ],
    )  # fmt: skip


def _not_negative(precision: NDArray[np.float64]) -> NDArray[np.float64]:
    """A precision whose nought eigenvalues, which rounding moved by a part of the largest, are nought or more again."""
    values, vectors = np.linalg.eigh(precision)
    if values[0] < -_ROUNDED * max(values[-1], 1.0):
        raise ValueError("A precision must not be negative")
    if values[0] >= 0.0:
        return precision
    clipped: NDArray[np.float64] = (vectors * np.maximum(values, 0.0)) @ vectors.T
    return clipped


def _short(x: float) -> float:
    return 0.0 if abs(x) < 1e-9 else float(f"{x:.{_DIGITS}g}")


class NoiseDoc(Wire):
    """What is promised about noise, in the terms NIST SP 800-226 asks for."""

    mechanism: str = "Gaussian noise on a sum of bounded vectors, one an owner"
    epsilon: float = Field(description="Of this version.")
    delta: float
    epsilon_so_far: float = Field(description="Of all noisy versions together, same delta.")
    rho_so_far: float
    unit_of_privacy: Literal["owner"] = "owner"
    neighbours: str = "pools that differ by one owner with all of their engines, present or absent"
    trust_model: str = "central: whoever runs the service sees contributions; readers of published versions do not"
    scale: float = Field(description="Standard deviation of the noise on every entry of the sum.")


class PublishedDoc(Wire):
    """A published version of the pool."""

    schema_version: Literal[1] = SCHEMA_VERSION
    scale: Scale = Field(description="What its units mean.")
    version: int
    quarter: str
    engines: int = Field(description="Rounded down to fives; where there is noise, it is on this number too.")
    method: str
    unknowns: list[str] = Field(default_factory=lambda: list(POOLED))
    covariates: list[str] = Field(default_factory=lambda: list(COVARIATES))
    mean: list[float] = Field(description="Regression by rows (one a covariate), then ln of the spreads.")
    covariance: list[list[float]]
    came: int | None = Field(
        None, description="Contributions that the version before had not, rounded down to fives; None beside noise."
    )
    went: int | None = Field(None, description="Those that it has no more, in the same way.")
    noise: NoiseDoc | None = None

    def published(self) -> Published:
        """What the model reads."""
        return Published(np.array(self.mean), np.array(self.covariance), self.engines, self.method)


def quarter_of(year: int, month: int) -> str:
    """Such as 2026Q1."""
    return f"{year:04d}Q{math.ceil(month / 3)}"
