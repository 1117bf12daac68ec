"""Noise on what is published, from OpenDP; the budget is counted over all versions."""

import math
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from taperwise.model.population.private_moments import SENSITIVITY
from taperwise.shared.errors import InvalidValueError

__all__ = ["OWNERS_LEAST", "checked_budget", "noisy_sum", "spent"]

OWNERS_LEAST = 100
"""Below, noise that hides an owner moves the centre by half of the expert's spread: it costs more than it gives."""


def checked_budget(epsilon: float, delta: float) -> None:
    """A budget that promises something.

    Raises
    ------
    InvalidValueError
        If it does not.
    """
    if not 0 < epsilon <= 10:
        raise InvalidValueError(
            "Epsilon should be above 0 and at most 10", field="epsilon", value=epsilon, cure="Try 1."
        )
    if not 0 < delta <= 1e-3:
        raise InvalidValueError(
            "Delta should be above 0 and at most 0.001", field="delta", value=delta, cure="Try 1e-6."
        )


def noisy_sum(vectors: NDArray[np.float64], epsilon: float, delta: float) -> tuple[NDArray[np.float64], float, float]:
    """The sum of owners' vectors (n, m) with Gaussian noise, the noise's standard deviation, and ρ of zCDP.

    Raises
    ------
    InvalidValueError
        If there are too few owners, or the budget is none; or OpenDP is not installed.
    """
    if len(vectors) < OWNERS_LEAST:
        raise InvalidValueError(
            f"Noise needs at least {OWNERS_LEAST} owners", field="epsilon", value=f"{len(vectors)} owners",
            cure="Publish without noise, or wait for more owners.",
        )  # fmt: skip
    checked_budget(epsilon, delta)
    dp = _opendp()
    scale = _scale(vectors.shape[1], epsilon, delta)
    gaussian = dp.m.make_gaussian(*_space(dp, vectors.shape[1]), scale=scale)
    return np.array(gaussian(vectors.sum(axis=0).tolist())), scale, float(gaussian.map(SENSITIVITY))


@cache
def _scale(width: int, epsilon: float, delta: float) -> float:
    """The least noise that keeps the promise."""
    dp = _opendp()

    def made(scale: float) -> Any:
        gaussian = dp.m.make_gaussian(*_space(dp, width), scale=scale)
        return dp.c.make_fix_delta(dp.c.make_zCDP_to_approxDP(gaussian), delta)

    return float(dp.binary_search_param(made, d_in=SENSITIVITY, d_out=(epsilon, delta)))


def _space(dp: Any, width: int) -> Any:
    return dp.vector_domain(dp.atom_domain(T=float, nan=False), width), dp.l2_distance(T=float)


def spent(rhos: list[float], delta: float) -> float:
    """Epsilon of several noisy versions together: ρ adds up (Bun and Steinke 2016, arXiv:1605.02065, prop. 1.3), and
    what their sum comes to is told by the conversion that one version's noise is made by.

    Raises
    ------
    InvalidValueError
        If OpenDP is not installed.
    """
    dp = _opendp()
    as_one = dp.m.make_gaussian(*_space(dp, 1), scale=SENSITIVITY / math.sqrt(2.0 * math.fsum(rhos)))
    return float(dp.c.make_zCDP_to_approxDP(as_one).map(SENSITIVITY).epsilon(delta))


def _opendp() -> Any:
    try:
        import opendp.prelude as dp  # optional
    except ModuleNotFoundError:
        raise InvalidValueError(
            "Noise needs OpenDP", field="epsilon", value="not installed", cure="Install the extra `noise`."
        ) from None
    dp.enable_features("contrib")
    return dp
