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

    precision: Annotated[list[list[_Real]], Field(min_length=len(POOLED), max_length=len(POOLED))] = Field(
        description="Precision matrix, one row an unknown."
    )
    shift: Annotated[list[_Real], Field(min_length=len(POOLED), max_length=len(POOLED))] = Field(
        description="Precision matrix times the mean, one entry an unknown."
    )
    ln_weight: _Real = Field(description="Natural logarithm of the component's weight [-].")


class KindDoc(Wire):
    """Coarse traits."""

    gas_speed: int = Field(ge=-20, le=20, description="Steps of 1/4 in ln(gas speed through the bore / 60 m/s) [-].")
    cylinders: Literal["1-2", "3-4", "5-6", "7 or more"] = Field(description="Class of cylinder numbers.")
    cooling: Literal["air", "liquid"] = Field(description="Kind of cooling.")
    fuel: Literal["avgas", "mogas", "mogas_e10"] = Field(description="Fuel in use.")
    taper: int = Field(ge=0, le=1000, description="Taper slope of the middle needle, rounded [mm/m].")


class ContributionDoc(Wire):
    """The shared summary: no number, name, place, text or date finer than a quarter."""

    schema_version: int = Field(SCHEMA_VERSION, ge=1, le=1, description="Version of this form.")
    scale: Scale = Field(description="Digest of the units; other units are not read.")
    unknowns: list[str] = Field(
        description="Names of the unknowns in order, in units of the standard estimate's spread."
    )
    model_version: str = Field(max_length=20, description="Version of the model.")
    quarter: Annotated[str, StringConstraints(pattern=r"^\d{4}Q[1-4]$")] = Field(
        description="Quarter of sharing, such as 2026Q1."
    )
    kind: KindDoc = Field(description="Coarse traits of the engine.")
    components: Annotated[list[ComponentDoc], Field(min_length=1, max_length=3)] = Field(
        description="Parts of the likelihood."
    )

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
    """Facts about the noise, in the terms of NIST SP 800-226."""

    mechanism: str = Field("Gaussian noise on a sum of bounded vectors, one an owner", description="Kind of noise.")
    epsilon: float = Field(description="Privacy loss epsilon of this version [-].")
    delta: float = Field(description="Privacy parameter delta [-].")
    epsilon_so_far: float = Field(description="Epsilon of all noisy versions together, at the same delta [-].")
    rho_so_far: float = Field(description="Zero-concentrated privacy loss rho of all noisy versions together [-].")
    unit_of_privacy: Literal["owner"] = Field("owner", description="Unit that the noise protects.")
    neighbours: str = Field(
        "pools that differ by one owner with all of their engines, present or absent",
        description="Pools that count as neighbours.",
    )
    trust_model: str = Field(
        "central: whoever runs the service sees contributions; readers of published versions do not",
        description="Trust model: who sees what.",
    )
    scale: float = Field(description="Standard deviation of the noise on every entry of the sum [-].")


class PublishedDoc(Wire):
    """A published version of the pool."""

    schema_version: int = Field(SCHEMA_VERSION, ge=1, le=1, description="Version of this form.")
    scale: Scale = Field(description="Digest of the units.")
    version: int = Field(description="Number of the version.")
    quarter: str = Field(description="Quarter of publication, such as 2026Q1.")
    engines: int = Field(
        description="Number of engines, rounded down to a multiple of 5, with noise if the version has any."
    )
    method: str = Field(description="Method of the fit.")
    unknowns: list[str] = Field(default_factory=lambda: list(POOLED), description="Names of the unknowns in order.")
    covariates: list[str] = Field(
        default_factory=lambda: list(COVARIATES), description="Names of the covariates in order."
    )
    mean: list[float] = Field(description="Regression by rows (one a covariate), then ln of the spreads [-].")
    covariance: list[list[float]] = Field(description="Covariance of `mean` [-].")
    came: int | None = Field(
        None, description="Number of new summaries, rounded down to a multiple of 5. Null: the version has noise."
    )
    went: int | None = Field(
        None,
        description="Number of summaries that are gone, rounded down to a multiple of 5. Null: the version has noise.",
    )
    noise: NoiseDoc | None = Field(None, description="Facts about the noise. Null: no noise.")

    def published(self) -> Published:
        """What the model reads."""
        return Published(np.array(self.mean), np.array(self.covariance), self.engines, self.method)


def quarter_of(year: int, month: int) -> str:
    """Such as 2026Q1."""
    return f"{year:04d}Q{math.ceil(month / 3)}"
