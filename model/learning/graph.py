"""The model as a PyMC graph: the one definition of the posterior.

Everything that differs between installations and logs enters as data, so one compiled sampler
serves them all.
"""

from dataclasses import fields, replace
from typing import Any

import pymc as pm
import pytensor.tensor as pt

from model.engine.backend import Backend
from model.engine.exhaust import ln_mixture_at, ln_mixture_slope
from model.engine.idle import BEST_WIDTH, speed_loss
from model.engine.mixture import Settings, Throttle, Unknowns, cuts, engine_mean, gain_prior, mixtures
from model.engine.priors import CHANGES, PRIORS, from_standard
from model.engine.scales import Scales
from model.engine.static_speed import BEST_LN_MIXTURE
from model.learning.engine_prior import POOLED, Standard
from model.learning.evidence import Evidence, Readings, gather
from model.learning.geometry import Tent, from_coordinate
from model.learning.likelihood import log_likelihoods
from model.learning.packed import LOADS, PLAIN, data_of
from shared.records import Installation, Needle

__all__ = ["TENSOR", "build"]


def _held(mask: Any) -> Any:
    """What is held, one after the other: most runs hold few kinds of reading, and the rest would cost as much."""
    where = mask.flatten().nonzero()[0]
    return lambda x: x.flatten()[where]


def _dot(rows: Any, columns: Any) -> Any:
    """Of few numbers: a call of a library costs more, and code with one cannot be kept (`model.learning.compiled`)."""
    if columns.ndim == 1:
        return pt.sum(rows * columns, axis=-1)
    return pt.sum(rows[..., :, None] * columns, axis=-2)


TENSOR = Backend(
    sqrt=pt.sqrt,
    exp=pt.exp,
    log=pt.log,
    arccos=pt.arccos,
    minimum=pt.minimum,
    maximum=pt.maximum,
    where=pt.where,
    logaddexp=pt.logaddexp,
    softplus=pt.softplus,
    dot=_dot,
    stack=lambda parts: pt.stack(pt.broadcast_arrays(*(pt.as_tensor_variable(x) for x in parts)), axis=-1),
    may_hold=lambda _: True,  # one graph for any log
    held=_held,
)
"""The formulas on PyTensor variables."""

_AT_PIVOT = ("ln_full", "ln_idle", "static_rpm", "idle_rpm")
_SCALARS = tuple(n for n in Unknowns.names() if n not in (*_AT_PIVOT, "first", "second"))


def _settings(plain: Any, loads: Any, row: int | slice) -> Settings:
    """Settings from their packed arrays: all rows, or one of them as scalars."""
    columns = {name: plain[i][row] for i, name in enumerate(PLAIN)}
    return Settings(**columns, **{name: loads[i][row] for i, name in enumerate(LOADS)})


def _any_evidence() -> Evidence:
    return gather(Installation((Needle("any", 0.03),), "any"), ())


def _scalar_unknowns(prior: Any) -> tuple[dict[str, Any], Standard]:
    """Everything that is sampled as a standard normal; those that engines share through the engine's prior."""
    epsilons = {name: pm.Normal(f"z_{name}") for name in _SCALARS}
    standard = Standard(prior)
    at: dict[str, Any] = dict(epsilons)
    for name in POOLED[:-2]:
        centre, spread = standard.conditional()
        at[name] = centre + spread * epsilons[name]
        standard = standard.then(epsilons[name])
    return {name: pm.Deterministic(name, from_standard(name, at[name], TENSOR)) for name in _SCALARS}, standard


def _pivot_unknowns(
    known: dict[str, Any], standard: Standard, pivot: Settings, throttle: Throttle, scales: Scales, readings: Readings
) -> dict[str, Any]:
    """The mixtures and speeds, sampled through what gauges would show at the pivot (`model.learning.geometry`).

    Where no rise of idle speed was read, nothing pins one: the mixture itself is walked in, the gain left out.
    """
    u = Unknowns(**{**dict.fromkeys(_AT_PIVOT, 0.0), **known})
    centre_full, centre_idle = gain_prior(u, pivot, throttle, TENSOR)

    peak = Tent(PRIORS["exhaust_scale"].centre, PRIORS["exhaust_width"].centre)
    x, ln_slope = from_coordinate(pm.Flat("v_full"), peak, Tent(u.exhaust_scale, u.exhaust_width), TENSOR)
    ln_full = pm.Deterministic("ln_full", ln_mixture_at(x, TENSOR))
    ln_slope = ln_slope + ln_mixture_slope(ln_full, TENSOR)
    standard = _gain(standard, "ln_full", ln_full, centre_full, "gain_full", ln_slope)

    best = cuts(u).best
    usual = PRIORS["idle_gain"].centre
    gain = pt.where(pt.sum(readings.has_idle_rise) > 0.0, u.idle_gain, usual)
    x, ln_slope = from_coordinate(pm.Flat("v_idle"), Tent(usual, BEST_WIDTH), Tent(gain, BEST_WIDTH), TENSOR)
    ln_idle = pm.Deterministic("ln_idle", best + x)
    _gain(standard, "ln_idle", ln_idle, centre_idle, "gain_idle", ln_slope)

    # speeds as shown at the pivot: shifts of a logarithm, so no slope arises
    mean = engine_mean(ln_full, u, scales.all_seen)
    bend = pt.log1p(u.static_curvature * (mean - BEST_LN_MIXTURE) ** 2)
    opening = mixtures(replace(u, ln_full=ln_full, ln_idle=ln_idle), pivot, pivot, throttle, TENSOR).opening
    lost = -pt.log1p(-speed_loss(ln_idle, best, u.idle_gain, TENSOR)) - u.idle_air_power * opening
    speeds = {
        name: pm.Deterministic(name, pm.Normal(f"v_{name}", -shift, spread) + shift)
        for name, shift, spread in (
            ("static_rpm", bend, scales.static_spread),
            ("idle_rpm", lost, PRIORS["idle_rpm"].spread),
        )
    }
    return {"ln_full": ln_full, "ln_idle": ln_idle, **speeds}


def _gain(standard: Standard, name: str, value: Any, centre: Any, prior: str, ln_slope: Any) -> Standard:
    """Give a mixture the engine's prior of its gain, slope of the transformation included; the next one goes on it."""
    shift, narrowing = standard.conditional()
    p = PRIORS[prior]
    centre, spread = centre + p.spread * shift, p.spread * narrowing
    pm.Potential(f"prior_{name}", pm.logp(pm.Normal.dist(centre, spread), value) + ln_slope)
    return standard.then((value - centre) / spread)


def build() -> pm.Model:
    """The model, with placeholder data of one empty run.

    Returns
    -------
    pymc.Model
        Free variables are standard normals named ``z_…`` and the two mixtures at the pivot;
        deterministics carry the unknowns under their own names.
    """
    with pm.Model() as model:
        data = {name: pm.Data(name, value) for name, value in data_of(_any_evidence()).items()}
        count = len(Scales._fields)
        scales = Scales(*(data["scalars"][i] for i in range(count)))
        throttle = Throttle(*(data["scalars"][count + i] for i in range(len(fields(Throttle)))))
        settings = _settings(data["settings"], data["settings_loads"], slice(None))
        # taken as scalars: a row of unknown length would not broadcast against the runs
        pivot = _settings(data["pivot"], data["pivot_loads"], 0)
        readings = Readings.of_rows([data["readings"][i] for i in range(len(_any_evidence().readings.rows()))])
        known, standard = _scalar_unknowns(data["prior"])
        known |= {name: pm.Normal(name, shape=CHANGES) for name in ("first", "second")}
        known |= _pivot_unknowns(known, standard, pivot, throttle, scales, readings)
        u = Unknowns(**known)
        ends = mixtures(u, settings, pivot, throttle, TENSOR)
        terms = log_likelihoods(readings, u, ends, settings, scales, TENSOR)
        pm.Potential("log_likelihood", sum(pt.sum(term) for term in terms))
    return model
