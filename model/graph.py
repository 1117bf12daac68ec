"""The model as a PyMC graph: the one definition of the posterior.

Everything that differs between installations and logs enters as data, so one compiled sampler
serves them all.
"""

from dataclasses import fields, replace
from typing import Any

import numpy as np
import pymc as pm
import pytensor.tensor as pt
from numpy.typing import NDArray

from model.backend import Backend
from model.evidence import Evidence, Readings, gather
from model.exhaust import ln_mixture_at, ln_mixture_slope
from model.geometry import Tent, from_coordinate
from model.idle import BEST_WIDTH, speed_loss
from model.likelihood import log_likelihood
from model.mixture import Settings, Throttle, Unknowns, cuts, gain_prior, mixtures
from model.priors import CHANGES, PRIORS, from_standard
from model.speed_targets import idle_target_rpm, static_target_rpm
from model.static_speed import BEST_LN_MIXTURE
from shared.records import Installation, Needle

__all__ = ["TENSOR", "build", "data_of"]

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
    dot=pt.dot,
)
"""The formulas on PyTensor variables."""

_AT_PIVOT = ("ln_full", "ln_idle", "static_rpm", "idle_rpm")
_SCALARS = tuple(n for n in Unknowns.names() if n not in (*_AT_PIVOT, "first", "second"))


def data_of(evidence: Evidence) -> dict[str, NDArray[np.float64]]:
    """All data of one log under the names the graph knows."""
    targets = np.array([idle_target_rpm(evidence.installation), static_target_rpm(evidence.installation)])
    data: dict[str, NDArray[np.float64]] = {"targets": targets}
    for prefix, record in (("settings", evidence.settings), ("pivot", evidence.pivot), ("readings", evidence.readings)):
        data |= {f"{prefix}_{f.name}": np.asarray(getattr(record, f.name), float) for f in fields(record)}
    data["throttle"] = np.array([float(getattr(evidence.throttle, f.name)) for f in fields(Throttle)])
    return data


def _any_evidence() -> Evidence:
    return gather(Installation((Needle("any", 0.03),), "any"), ())


def _pivot_unknowns(known: dict[str, Any], pivot: Settings, throttle: Throttle) -> dict[str, Any]:
    """The mixtures and speeds, sampled through what gauges would show at the pivot (`model.geometry`)."""
    u = Unknowns(**{**dict.fromkeys(_AT_PIVOT, 0.0), **known})
    centre_full, centre_idle = gain_prior(u, pivot, throttle, TENSOR)

    peak = Tent(PRIORS["exhaust_scale"].centre, PRIORS["exhaust_width"].centre)
    x, ln_slope = from_coordinate(pm.Flat("v_full"), peak, Tent(u.exhaust_scale, u.exhaust_width), TENSOR)
    ln_full = pm.Deterministic("ln_full", ln_mixture_at(x, TENSOR))
    _normal("ln_full", ln_full, centre_full, "gain_full", ln_slope + ln_mixture_slope(ln_full, TENSOR))

    best = cuts(u).best
    ears = Tent(PRIORS["idle_gain"].centre, BEST_WIDTH)
    x, ln_slope = from_coordinate(pm.Flat("v_idle"), ears, Tent(u.idle_gain, BEST_WIDTH), TENSOR)
    ln_idle = pm.Deterministic("ln_idle", best + x)
    _normal("ln_idle", ln_idle, centre_idle, "gain_idle", ln_slope)

    # speeds as shown at the pivot: shifts of a logarithm, so no slope arises
    bend = pt.log1p(u.static_curvature * (ln_full - BEST_LN_MIXTURE) ** 2)
    opening = mixtures(replace(u, ln_full=ln_full, ln_idle=ln_idle), pivot, pivot, throttle, TENSOR).opening
    lost = -pt.log1p(-speed_loss(ln_idle, best, u.idle_gain, TENSOR)) - u.idle_air_power * opening
    speeds = {
        name: pm.Deterministic(name, pm.Normal(f"v_{name}", -shift, PRIORS[name].spread) + shift)
        for name, shift in (("static_rpm", bend), ("idle_rpm", lost))
    }
    return {"ln_full": ln_full, "ln_idle": ln_idle, **speeds}


def _normal(name: str, value: Any, centre: Any, prior: str, ln_slope: Any) -> None:
    """Give a transformed variable its normal prior, slope of the transformation included."""
    p = PRIORS[prior]
    pm.Potential(f"prior_{name}", pm.logp(pm.Normal.dist(centre, p.spread), value) + ln_slope)


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
        throttle = Throttle(*(data["throttle"][i] for i in range(len(fields(Throttle)))))
        settings = Settings(*(data[f"settings_{f.name}"] for f in fields(Settings)))
        # taken as scalars: a row of unknown length would not broadcast against the runs
        pivot = Settings(*(data[f"pivot_{f.name}"][0] for f in fields(Settings)))
        readings = Readings(*(data[f"readings_{f.name}"] for f in fields(Readings)))
        known: dict[str, Any] = {
            name: pm.Deterministic(name, from_standard(name, pm.Normal(f"z_{name}"), TENSOR)) for name in _SCALARS
        }
        known |= {name: pm.Normal(name, shape=CHANGES) for name in ("first", "second")}
        known |= _pivot_unknowns(known, pivot, throttle)
        u = Unknowns(**known)
        ends = mixtures(u, settings, pivot, throttle, TENSOR)
        targets = data["targets"]
        each = log_likelihood(readings, u, ends, settings.ln_density, targets[0], targets[1], TENSOR)
        pm.Potential("log_likelihood", pt.sum(each))
    return model
