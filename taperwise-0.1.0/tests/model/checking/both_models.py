"""One point in the coordinates of the compiled model and of the readable one, and the density of both there."""

from collections.abc import Callable
from typing import Any

import numpy as np
import pymc as pm
from numpy.typing import NDArray
from scipy import special, stats

from taperwise.model.inference.compiled_logp import _DENSITY, _EXPAND
from taperwise.model.inference.data_packing import data_of
from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.engine_prior import pooled_of
from taperwise.model.inference.sampler import Sampler
from taperwise.model.physics.mixture import Unknowns
from taperwise.model.physics.priors import CHANGES, PRIORS

__all__ = ["Compiled", "ln_standard", "ln_volume", "readable_density", "readable_point"]

_F = NDArray[np.float64]


class Compiled:
    """The compiled model of one log, at points of its own coordinates, (dimensions,)."""

    def __init__(self, sampler: Sampler, evidence: Evidence) -> None:
        sampler.compile()
        self._made = sampler._compiled.with_data(**data_of(evidence))
        self.start: _F = self._made.initial_point_func.middle

    def ln_density(self, x: _F) -> float:
        """With a constant of its own."""
        found, slope = np.zeros(1), np.zeros_like(x)
        place = self._made.user_data.ctypes.data
        at = _DENSITY(self._made.compiled_logp_func.address)
        assert not at(len(x), x.ctypes.data, slope.ctypes.data, found.ctypes.data, place)
        return float(found[0])

    def unknowns(self, x: _F) -> Unknowns:
        """Each an array of (columns,)."""
        found = np.zeros(self._made.n_expanded)
        at = _EXPAND(self._made.compiled_expand_func.address)
        assert not at(len(x), len(found), x.ctypes.data, found.ctypes.data, self._made.user_data.ctypes.data)
        names, slices, _ = self._made.shape_info
        by_name = {name: found[where] for name, where in zip(names, slices, strict=True)}
        return Unknowns(**{name: by_name[name] for name in Unknowns.names()})


def _columns(model: pm.Model) -> dict[str, list[int]]:
    """By dimension: which of the changes it holds, by the number that begins its labels."""
    dims = ("needle", "fitting", "change")
    return {dim: [int(str(label).split()[0]) for label in model.coords.get(dim) or ()] for dim in dims}


def readable_point(model: pm.Model, u: Unknowns, evidence: Evidence) -> tuple[dict[str, _F], _F]:
    """Values of the readable model's free variables by name, in the units it samples them in, and the standard normals
    of changes that were never made, which it leaves out.
    """
    columns = {dim: [i - evidence.first_change for i in of] for dim, of in _columns(model).items()}
    told = {
        "needle_error": u.second[columns["needle"]], "mark_error": u.first[columns["fitting"]],
        "change_full": u.first[columns["change"]], "change_idle": u.second[columns["change"]],
    }  # fmt: skip
    unused = [
        x[[i for i in range(CHANGES) if i not in used]]
        for x, used in (
            (u.first, columns["fitting"] + columns["change"]), (u.second, columns["needle"] + columns["change"])
        )
    ]  # fmt: skip
    found = {}
    for variable in model.free_RVs:
        name, value = variable.name, model.rvs_to_values[variable].name
        if name == "pooled":
            found[value] = pooled_of(_row(u), evidence.pivot, evidence.throttle)[0]
            continue
        if name in told:
            found[value] = told[name]
            continue
        if name.endswith("_share"):
            found[value] = special.logit(2.0 * getattr(u, name.removesuffix("_share"))[0] - 1.0)
            continue
        x, transform = getattr(u, name)[0], model.rvs_to_transforms[variable]
        logged = PRIORS[name].family == "lognormal" if name in PRIORS else False
        found[value] = transform.transform_list[1].forward(np.log(x)) if logged else transform.forward(x)
    return {name: np.asarray(x, float) for name, x in found.items()}, np.concatenate(unused)


def _row(u: Unknowns) -> Unknowns:
    return Unknowns(**{name: getattr(u, name)[None] for name in Unknowns.names()})


def readable_density(model: pm.Model) -> Callable[[dict[str, _F]], float]:
    """Ln density of the readable model in the units it samples in, the readings in it."""
    # one by one: Python's own way of adding takes thirty-two at most
    compiled: Any = model.compile_fn(model.logp(sum=False), mode="FAST_COMPILE")
    return lambda point: float(sum(np.sum(term) for term in compiled(point)))


def ln_volume(to: Callable[[_F], _F], x: _F) -> float:
    """Ln of how much volume a map has around x, by central differences."""
    step = 1e-5
    columns = [(to(x + step * e) - to(x - step * e)) / (2.0 * step) for e in np.eye(len(x))]
    return float(np.linalg.slogdet(np.stack(columns, axis=1))[1])


def ln_standard(x: _F) -> float:
    """Ln density of standard normals."""
    return float(stats.norm.logpdf(x).sum())
