"""The posterior of one log as a PyMC model to read, change and sample with any NUTS.

The compiled graph (`taperwise.model.inference.pymc_model`) serves every log with one sampler, so everything in it is
packed. This one is built for a single log: each unknown is a distribution of its own under its own name and unit, each
kind of reading an observed variable over the runs that hold one. Both share the forward model and the prior table.
"""

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt
from numpy.typing import NDArray
from pymc.distributions.transforms import Chain, log, logodds
from pymc.logprob.transforms import Transform

from taperwise.model.checking.observed import (
    IDLE,
    Kind,
    draw_reading,
    in_run_order,
    kinds,
    level_chances,
    levels_of,
    log_reading,
    peaks,
)
from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.engine_prior import EXPERT, POOLED, EnginePrior
from taperwise.model.inference.likelihood import Around, scattered
from taperwise.model.inference.pymc_model import TENSOR
from taperwise.model.physics import noise
from taperwise.model.physics.mixture import (
    Ends,
    Settings,
    Unknowns,
    engine_mean,
    gain_prior,
    gains_from_units,
    idle_cutpoints,
    leanest,
    mixtures,
)
from taperwise.model.physics.priors import CHANGES, PRIORS, from_standard

__all__ = ["CYLINDERS", "readable_model"]

CYLINDERS = ("leanest_read", "leanest_of_all", "mean")
"""Cylinders whose mixture at full throttle is told: of those with a probe, of all, and the mean of all."""

_GAP_SPREAD = PRIORS["cylinder_spread"].centre


class _Standard(Transform):  # type: ignore[misc]  # PyMC has no types
    """Sampled in standard deviations from the centre: metres and kelvins alike are of the size of one there."""

    name = "standard"
    ndim_supp = 0

    def __init__(self, centre: float, spread: float) -> None:
        self._centre, self._spread = centre, spread

    def forward(self, value: Any, *inputs: Any) -> Any:
        """From the unit to standard deviations."""
        return (value - self._centre) / self._spread

    def backward(self, value: Any, *inputs: Any) -> Any:
        """Back."""
        return self._centre + self._spread * value

    def log_jac_det(self, value: Any, *inputs: Any) -> Any:
        """Ln of the slope of `backward`."""
        return pt.full_like(value, math.log(self._spread))


def readable_model(evidence: Evidence) -> pm.Model:
    """The model of one log.

    Parameters
    ----------
    evidence : Evidence
        As `taperwise.model.inference.dataset.gather` lays out a log.

    Returns
    -------
    pymc.Model
        Unknowns under their own names in the units of the prior table; observed variables ``…_read`` over the dimension
        ``run_…_read``, the numbers of the runs that hold one. Coordinates: ``run``, ``cylinder``, ``needle`` (fitted so
        far), ``fitting`` (of a needle, after the first) and ``change`` (of a part). Deterministics: the mixture of
        every run at full throttle and at idle, ln(phi / phi at peak EGT).
    """
    evidence = in_run_order(evidence)
    with pm.Model(coords=_coordinates(evidence)) as model:
        u = _unknowns(evidence)
        settings = _settings(evidence)
        ends = mixtures(u, settings, evidence.pivot, evidence.throttle, TENSOR)
        full = (ends.full, leanest(ends.full, u, evidence.scales, TENSOR), engine_mean(ends.full, u))
        pm.Deterministic("mixture_full", pt.stack(full, axis=1), dims=("run", "cylinder"))
        pm.Deterministic("mixture_idle", ends.idle, dims="run")
        _observe(evidence, u, ends, settings)
    return model


def _changes(evidence: Evidence) -> list[str]:
    """Changes held apart, by number and word; the first is the first fitting."""
    first = evidence.first_change
    return [f"{first + i} {word}" for i, word in enumerate(evidence.position.changes[first:])]


def _columns(evidence: Evidence) -> dict[str, list[int]]:
    """By dimension: the columns of `Unknowns.first` and `second` that it stands for."""
    before, words = evidence.first_change, evidence.position.changes[evidence.first_change :]
    part = [i for i, word in enumerate(words) if i and word.startswith("part:")]
    fitting = [i for i, word in enumerate(words) if i and not word.startswith("part:")]
    # a needle that was first fitted before the first change that is held apart has the error of that one
    first_fitted = [i for i in fitting if evidence.position.changes.index(words[i]) == before + i]
    return {"needle": [0, *first_fitted], "fitting": fitting, "change": part}


def _coordinates(evidence: Evidence) -> dict[str, Any]:
    words = _changes(evidence)
    runs = evidence.run_numbers or (0,)
    held = {kind.name: kind.rows for kind in kinds(evidence)}
    judged = levels_of(evidence)[0]
    if len(judged):
        held[IDLE] = judged
    return {
        "run": list(runs),
        "cylinder": list(CYLINDERS),
        **{name: [words[i] for i in columns] for name, columns in _columns(evidence).items()},
        **{f"run_{name}": [runs[i] for i in rows] for name, rows in held.items()},
    }


def _settings(evidence: Evidence) -> Settings:
    """Settings of the runs; what is a number a run stands among the constant data."""
    s = evidence.settings
    told = {
        name: pm.Data(name, getattr(s, name), dims="run")
        for name in (
            "needle_m",
            "idle_stop_m",
            "ln_density",
            "ln_dry",
            "ln_temperature",
            "ln_head",
            "ln_fuel",
            "ln_slope",
        )
    }
    return replace(s, **told)


def _unknown(name: str, **dims: Any) -> Any:
    """One unknown with the distribution of the prior table."""
    prior = PRIORS[name]
    if prior.family == "lognormal":
        centre = math.log(prior.centre)
        chain = Chain([log, _Standard(centre, prior.spread)])
        return pm.LogNormal(name, centre, prior.spread, default_transform=chain, **dims)
    if prior.family == "half":
        share = pm.LogitNormal(f"{name}_share", prior.centre, prior.spread, default_transform=logodds)
        return pm.Deterministic(name, 0.5 + 0.5 * share)
    return _normal(name, prior.centre, prior.spread, **dims)


def _normal(name: str, mean: Any, spread: Any, *, like: tuple[float, float] | None = None, **dims: Any) -> Any:
    """A normal, sampled in units of its spread; `like` another centre and spread, where its own are not numbers."""
    return pm.Normal(name, mean, spread, default_transform=_Standard(*(like or (mean, spread))), **dims)


def _unknowns(evidence: Evidence) -> Unknowns:
    own = ("ln_full", "ln_idle", "first", "second", "static_rpm", "cylinder_gap")
    shared = {} if evidence.prior == EXPERT else _pooled(evidence.prior)
    full_units, idle_units = (shared.pop(name, None) for name in ("gain_full", "gain_idle"))
    known = shared | {name: _unknown(name) for name in Unknowns.names() if name not in own and name not in shared}
    scales = evidence.scales
    spread = float(scales.static_spread)
    known["static_rpm"] = _normal("static_rpm", 0.0, spread)
    mean, deviation = float(scales.seen_mean), float(scales.seen_deviation)
    between = known["cylinder_spread"]
    known["cylinder_gap"] = _normal(
        "cylinder_gap", between * mean, between * deviation, like=(_GAP_SPREAD * mean, _GAP_SPREAD * deviation)
    )
    known |= _of_changes(evidence)
    u = Unknowns(ln_full=0.0, ln_idle=0.0, **known)
    at_pivot = gain_prior(u, evidence.pivot, evidence.throttle, TENSOR)
    centres = (pt.as_tensor_variable(at_pivot[0]).reshape(()), pt.as_tensor_variable(at_pivot[1]).reshape(()))
    if evidence.prior != EXPERT:
        ends = gains_from_units(full_units, idle_units, centres)
        named = [pm.Deterministic(name, x) for name, x in zip(("ln_full", "ln_idle"), ends, strict=True)]
        return replace(u, ln_full=named[0], ln_idle=named[1])
    full, idle = (PRIORS[name] for name in ("gain_full", "gain_idle"))
    ln_full = _normal("ln_full", centres[0], full.spread, like=(full.centre, full.spread))
    # both ends share fuel, head and orifice, so idle is expected as far off as full throttle is
    ln_idle = _normal("ln_idle", centres[1] + ln_full - centres[0], idle.spread, like=(idle.centre, full.spread))
    return replace(u, ln_full=ln_full, ln_idle=ln_idle)


def _pooled(prior: EnginePrior) -> dict[str, Any]:
    """Unknowns that engines share, under a prior that other engines moved; the gains in units of the expert's."""
    model = pm.modelcontext(None)
    model.add_coord("shared", POOLED)
    size = len(POOLED)
    alike = pm.MvNormal.dist(np.array(prior.centre), chol=np.array(prior.root))
    if prior.odd:
        odd = pm.MvNormal.dist(np.zeros(size), chol=np.eye(size))
        at = pm.Mixture("pooled", [1.0 - prior.odd, prior.odd], [alike, odd], dims="shared")
    else:
        at = pm.MvNormal("pooled", np.array(prior.centre), chol=np.array(prior.root), dims="shared")
    found = {name: at[i] for i, name in enumerate(POOLED)}
    return {
        name: x if name.startswith("gain_") else pm.Deterministic(name, from_standard(name, x, TENSOR))
        for name, x in found.items()
    }


def _of_changes(evidence: Evidence) -> dict[str, Any]:
    """Errors of needles and marks and effects of parts in their own units, and as the forward model takes them."""
    first, second = pt.zeros(CHANGES), pt.zeros(CHANGES)
    for dim, columns in _columns(evidence).items():
        if not columns:
            continue
        if dim == "needle":
            second = second[columns].set(_unknown("needle_error", dims=dim) / PRIORS["needle_error"].spread)
        elif dim == "fitting":
            first = first[columns].set(_unknown("mark_error", dims=dim) / PRIORS["mark_error"].spread)
        else:
            first = first[columns].set(_unknown("change_full", dims=dim) / PRIORS["change_full"].spread)
            second = second[columns].set(_unknown("change_idle", dims=dim) / PRIORS["change_idle"].spread)
    return {"first": first, "second": second}


def _observe(evidence: Evidence, u: Unknowns, ends: Ends, settings: Settings) -> None:
    """The readings; those of a run are expected by what its rise showed, read or drawn."""
    readings, scales = evidence.readings, evidence.scales
    at = scattered(readings, u, ends, settings, scales, TENSOR)
    for kind in kinds(evidence):
        read = _reading(kind, kind.around(at))
        if kind.name == "rise_read":
            nothing = pt.zeros(len(readings.rise))
            shown = {"rise": read, "has_rise": peaks(read, kind, TENSOR)}
            drawn = replace(readings, **{name: nothing[kind.rows].set(x) for name, x in shown.items()})
            at = scattered(drawn, u, ends, settings, scales, TENSOR)
    rows, levels = levels_of(evidence)
    if len(rows):
        chances = level_chances(Around(*(x[rows] for x in at.judged)), idle_cutpoints(u), TENSOR)
        pm.Categorical(IDLE, pt.stack(chances, axis=-1), observed=levels, dims=f"run_{IDLE}")


def _reading(kind: Kind, around: Around) -> Any:
    """One observed variable: logistic, one in ten readings three times as wide, censored where the kind is."""
    centre, scale = (pt.as_tensor_variable(x)[kind.rows] for x in around)
    given = {"observed": kind.value, "dims": f"run_{kind.name}"}
    if kind.upper is None:
        return pm.CustomDist(kind.name, centre, scale, logp=_log_plain, random=_draw_plain, **given)
    return pm.CustomDist(kind.name, centre, scale, kind.upper, logp=_log_censored, random=_draw_censored, **given)


def _log_plain(value: Any, centre: Any, scale: Any) -> Any:
    return noise.log_density(value, centre, scale, TENSOR)


def _log_censored(value: Any, centre: Any, scale: Any, upper: Any) -> Any:
    return log_reading(value, centre, scale, upper, TENSOR)


def _draw_plain(centre: Any, scale: Any, rng: np.random.Generator, size: Any = None) -> NDArray[np.float64]:
    return draw_reading(Around(*(np.broadcast_to(x, size) for x in (centre, scale))), None, rng)


def _draw_censored(
    centre: Any, scale: Any, upper: Any, rng: np.random.Generator, size: Any = None
) -> NDArray[np.float64]:
    return draw_reading(Around(*(np.broadcast_to(x, size) for x in (centre, scale))), upper, rng)
