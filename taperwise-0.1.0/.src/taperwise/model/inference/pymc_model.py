"""The model as a PyMC graph: the one definition of the posterior.

Everything that differs between installations and logs enters as data, so one compiled sampler
serves them all.
"""

from dataclasses import fields, replace
from typing import Any, NamedTuple

import pymc as pm
import pytensor.tensor as pt

from taperwise.model.inference.coordinate_scales import Aims
from taperwise.model.inference.data_packing import PLAIN, data_of
from taperwise.model.inference.dataset import Evidence, gather
from taperwise.model.inference.engine_prior import POOLED, ln_with_odd
from taperwise.model.inference.likelihood import log_likelihoods
from taperwise.model.inference.readings import Readings
from taperwise.model.inference.reparameterization import (
    FULL,
    IDLE,
    RoundedTent,
    TailTransform,
    apply_tail_transform,
    from_coordinate,
)
from taperwise.model.physics.backend import Backend
from taperwise.model.physics.exhaust import ln_mixture_at, ln_mixture_slope
from taperwise.model.physics.idle import speed_loss
from taperwise.model.physics.mixture import (
    LOADS,
    Settings,
    Throttle,
    Unknowns,
    engine_mean,
    gain_prior,
    gains_in_units,
    gap_of,
    idle_cutpoints,
    mixtures,
)
from taperwise.model.physics.nominal_values import Scales
from taperwise.model.physics.priors import CHANGES, PRIORS, from_standard
from taperwise.model.physics.static_speed import BEST_LN_MIXTURE
from taperwise.shared.records import Installation, Needle

__all__ = ["TENSOR", "build"]


def _end_to_end(parts: Any) -> Any:
    """All in one row: pieces side by side would each have to be turned first, and every turn is compiled."""
    return pt.concatenate(pt.broadcast_arrays(*(pt.as_tensor_variable(x) for x in parts)))


def _held(mask: Any) -> Any:
    """What is held, one after the other: most runs hold few kinds of reading, and the rest would cost as much."""
    where = mask.nonzero()[0]
    return lambda x: x[where]


def _dot(rows: Any, columns: Any) -> Any:
    """Of few numbers: a library call costs more, and code with one cannot be kept (see `compiled`)."""
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
    stack=_end_to_end,
    may_hold=lambda _: True,  # one graph for any log
    held=_held,
)
"""The formulas on PyTensor variables."""

_AT_PIVOT = ("ln_full", "ln_idle", "static_rpm", "idle_rpm")
_SHARED = POOLED[:-2]  # the two gains come out of the mixtures at the pivot
_SCALARS = (*_SHARED, *(n for n in Unknowns.names() if n not in (*_AT_PIVOT, *_SHARED, "first", "second")))


def _settings(plain: Any, loads: Any, row: int | slice) -> Settings:
    """Settings from their packed arrays: all rows, or one of them as scalars."""
    columns = {name: plain[i][row] for i, name in enumerate(PLAIN)}
    return Settings(**columns, **{name: loads[i][row] for i, name in enumerate(LOADS)})


def _any_evidence() -> Evidence:
    return gather(Installation((Needle("any", 0.03),), "any"), ())


class _Shared(NamedTuple):
    """The pooled unknowns but for the gains, as the engine's prior has them.

    Parameters
    ----------
    prior : tensor, (p, p + 2)
        As `EnginePrior.array`.
    behind : tensor, (p − 2,)
        Standard normals behind them.
    at : tensor, (p,)
        They themselves in units of the expert prior, then where that leaves the gains to be expected.
    """

    prior: Any
    behind: Any
    at: Any

    @classmethod
    def of(cls, prior: Any, behind: Any) -> "_Shared":
        """From what is sampled."""
        return cls(prior, behind, prior[:, len(POOLED)] + pt.sum(prior[:, : len(_SHARED)] * behind, axis=1))

    def ln_density(self, full: Any, idle: Any) -> Any:
        """Ln density of both gains in units of the expert prior, given the others; with it what the share of odd
        engines does to all of them, since only the gains close the row.
        """
        i, j = len(POOLED) - 2, len(POOLED) - 1
        of_full = (full - self.at[i]) / self.prior[i, i]
        of_idle = (idle - self.at[j] - self.prior[j, i] * of_full) / self.prior[j, j]
        squares = of_full**2 + of_idle**2
        behind, shown = pt.sum(self.behind**2) + squares, pt.sum(self.at[:i] ** 2) + full**2 + idle**2
        counted_in = ln_with_odd(self.prior, behind, shown, TENSOR)
        return counted_in - 0.5 * squares - pt.log(self.prior[i, i] * self.prior[j, j])


def _scalar_unknowns(prior: Any, scales: Scales) -> tuple[dict[str, Any], _Shared]:
    """Everything that is sampled as a standard normal; those that engines share through the engine's prior.

    The gap among cylinders is sampled in units of the middle spread, not of the one drawn: a reading pins it, and the
    product of the two would be a bent ridge.
    """
    z = pm.Normal("z", shape=len(_SCALARS))  # one vector: of single ones every piece would be compiled
    count = len(_SHARED)
    shared = _Shared.of(prior, z[:count])
    standard = {name: shared.at[i] if i < count else z[i] for i, name in enumerate(_SCALARS)}
    known = {name: from_standard(name, x, TENSOR) for name, x in standard.items()}
    z_gap, middle = standard["cylinder_gap"], PRIORS["cylinder_spread"].centre
    known["cylinder_gap"] = gap_of(middle, z_gap, scales)
    over = middle / known["cylinder_spread"]
    in_spreads = over * z_gap + (over - 1.0) * scales.seen_mean / scales.seen_deviation
    pm.Potential("prior_gap", pt.log(over) + 0.5 * (z_gap**2 - in_spreads**2))
    return {name: pm.Deterministic(name, x) for name, x in known.items()}, shared


def _walked(name: str, aim: TailTransform) -> tuple[Any, Any]:
    """A coordinate around where readings put it: what it stands for, and ln of the slope."""
    return apply_tail_transform(pm.Flat(f"z_{name}"), aim, TENSOR)


def _pivot_unknowns(
    known: dict[str, Any],
    shared: _Shared,
    pivot: Settings,
    throttle: Throttle,
    scales: Scales,
    readings: Readings,
    aims: Aims,
) -> dict[str, Any]:
    """The mixtures and speeds, sampled through what gauges would show at the pivot (see `geometry`).

    Where no rise of idle speed was read, nothing pins one: the mixture itself is walked in, gain and speed left out.
    """
    u = Unknowns(**{**dict.fromkeys(_AT_PIVOT, 0.0), **known})
    centres = gain_prior(u, pivot, throttle, TENSOR)

    v, ln_bent = _walked("full", aims.full)
    x, ln_slope = from_coordinate(v, FULL, RoundedTent(u.exhaust_scale, u.exhaust_width), TENSOR)
    ln_full = pm.Deterministic("ln_full", ln_mixture_at(x, TENSOR))
    ln_slope_full = ln_bent + ln_slope + ln_mixture_slope(ln_full, TENSOR)

    # speeds as shown at the pivot; a rise of idle speed is a share of the one shown
    shown = {"static_rpm": _walked("static_rpm", aims.static_rpm), "idle_rpm": _walked("idle_rpm", aims.idle_rpm)}

    best = idle_cutpoints(u).best
    rises = u.idle_gain * pt.exp(shown["idle_rpm"][0])
    curve = RoundedTent(pt.where(pt.sum(readings.has_idle_rise) > 0.0, rises, IDLE.scale), IDLE.width)
    v, ln_bent = _walked("idle", aims.idle)
    x, ln_slope = from_coordinate(v, IDLE, curve, TENSOR)
    ln_idle = pm.Deterministic("ln_idle", best + x)
    gains = gains_in_units(ln_full, ln_idle, centres)
    pm.Potential("prior_gains", shared.ln_density(*gains) + ln_slope_full + ln_slope + ln_bent)

    # from what is shown to what is best: shifts of a logarithm, so no slope arises
    mean = engine_mean(ln_full, u)
    bend = pt.log1p(u.static_curvature * (mean - BEST_LN_MIXTURE) ** 2)
    opening = mixtures(replace(u, ln_full=ln_full, ln_idle=ln_idle), pivot, pivot, throttle, TENSOR).opening
    lost = -pt.log1p(-speed_loss(ln_idle, best, u.idle_gain, TENSOR)) - u.idle_air_power * opening
    speeds = {}
    for name, shift, spread in (
        ("static_rpm", bend, scales.static_spread),
        ("idle_rpm", lost, PRIORS["idle_rpm"].spread),
    ):
        v, ln_bent = shown[name]
        speeds[name] = pm.Deterministic(name, v + shift)
        pm.Potential(f"prior_{name}", ln_bent - 0.5 * (speeds[name] / spread) ** 2 - pt.log(spread))
    return {"ln_full": ln_full, "ln_idle": ln_idle, **speeds}


def build() -> pm.Model:
    """The model, with placeholder data of one empty run.

    Returns
    -------
    pymc.Model
        Free variables are standard normals, ``z``, ``first`` and ``second``, and what is shown at the pivot, ``z_…``;
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
        aims = Aims(
            *(
                TailTransform(*(data["aims"][i, j] for j in range(len(TailTransform._fields))))
                for i in range(len(Aims._fields))
            )
        )
        known, shared = _scalar_unknowns(data["prior"], scales)
        known |= {name: pm.Normal(name, shape=CHANGES) for name in ("first", "second")}
        known |= _pivot_unknowns(known, shared, pivot, throttle, scales, readings, aims)
        u = Unknowns(**known)
        ends = mixtures(u, settings, pivot, throttle, TENSOR)
        terms = log_likelihoods(readings, u, ends, settings, scales, TENSOR)
        pm.Potential("log_likelihood", sum(pt.sum(term) for term in terms))
    return model
