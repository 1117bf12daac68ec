"""A fit as statisticians open it: a tree of labelled arrays in the layout of ArviZ, and the same as a netCDF file."""

import tempfile
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from taperwise.api.presentation.unknowns_text import likelihoods_told, readings_told, unknowns_told
from taperwise.model import MODEL_VERSION
from taperwise.model.checking.draws import of_each_reading, of_each_run, prior_unknowns, read_again
from taperwise.model.checking.observed import IDLE, in_run_order, kinds, levels_of
from taperwise.model.inference.dataset import Evidence
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import LOADS, Unknowns
from taperwise.model.physics.priors import CHANGES
from taperwise.model.prediction.setting_draws import predict_current, target_at

if TYPE_CHECKING:
    from xarray import DataTree

__all__ = ["datatree", "netcdf"]

_PRIOR_DRAWS = 1_000


def datatree(posterior: Posterior) -> "DataTree":
    """Groups `posterior`, `posterior_predictive`, `log_likelihood`, `sample_stats`, `prior`, `prior_predictive`,
    `observed_data` and `constant_data`.

    Unknowns have the dimensions (chain, draw), or one more: `change`. Readings of a kind have `run_…_read`, the
    numbers of the runs that hold one. `all_readings` of the log likelihood is the sum over the readings of a run. Every
    variable has its unit and what it is among its attributes. Without a run there are no readings, nor their groups.

    Parameters
    ----------
    posterior : Posterior
    """
    import arviz_base as az  # a second that a start does without

    evidence, d = in_run_order(posterior.evidence), posterior.diagnostics
    rng = np.random.default_rng([posterior.seed, 11])
    before = prior_unknowns(evidence, _PRIOR_DRAWS, rng)
    told = Posterior(before, evidence, d, posterior.seed)
    groups: dict[str, dict[str, Any]] = {
        "posterior": _of_chains(_unknowns(posterior), d.chains),
        "prior": _of_chains(_unknowns(told), 1),
        "constant_data": {f.name: getattr(evidence.settings, f.name) for f in fields(evidence.settings)},
    }
    if evidence.runs_used:
        each = of_each_reading(posterior.unknowns, evidence)
        groups |= {
            "posterior_predictive": _of_chains(read_again(posterior.unknowns, evidence, rng), d.chains),
            "log_likelihood": _of_chains(each | {"all_readings": of_each_run(each, evidence)}, d.chains),
            "prior_predictive": _of_chains(read_again(before, evidence, rng), 1),
            "observed_data": _observed(evidence),
        }
    if posterior.steps:
        groups["sample_stats"] = {n: x.astype(bool) if n == "diverging" else x for n, x in posterior.steps.items()}
    coords, dims = _labels(evidence)
    attributes = {
        "inference_library": "nutpie", "model_version": MODEL_VERSION, "seed": posterior.seed,
        "converged": int(d.converged),
    }  # fmt: skip
    tree = az.from_dict(groups, coords=coords, dims=dims, attrs={"/": attributes})
    for group in tree.children.values():
        group.attrs.update(attributes)
        for name, variable in group.data_vars.items():
            variable.attrs.update(_TOLD.get(str(group.name), unknowns_told)(str(name)))
    return tree


_TOLD = {
    "posterior_predictive": readings_told, "prior_predictive": readings_told, "observed_data": readings_told,
    "log_likelihood": likelihoods_told,
}  # fmt: skip
"""What tells units and names of a group that does not hold unknowns."""


def netcdf(posterior: Posterior) -> bytes:
    """What `datatree` gives, as a file.

    Parameters
    ----------
    posterior : Posterior
    """
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "posterior.nc"
        datatree(posterior).to_netcdf(path, engine="h5netcdf")
        return path.read_bytes()


def _unknowns(posterior: Posterior) -> dict[str, NDArray[Any]]:
    """All unknowns, and the two that the advice turns on, (draws,) or (draws, changes) each."""
    u = posterior.unknowns
    target = target_at(predict_current(posterior), posterior)
    found = {name: getattr(u, name) for name in Unknowns.names()}
    found = {name: x if name in ("first", "second") else x[:, 0] for name, x in found.items()}
    return found | {"turns_to_target": target.offset_turns, "taper_misfit": target.taper_misfit}


def _of_chains(values: dict[str, NDArray[Any]], chains: int) -> dict[str, NDArray[Any]]:
    return {name: x.reshape(chains, -1, *x.shape[1:]) for name, x in values.items()}


def _observed(evidence: Evidence) -> dict[str, NDArray[Any]]:
    found: dict[str, NDArray[Any]] = {kind.name: kind.value for kind in kinds(evidence)}
    rows, levels = levels_of(evidence)
    return found | ({IDLE: levels} if len(rows) else {})


def _labels(evidence: Evidence) -> tuple[dict[str, Any], dict[str, list[str]]]:
    """Coordinates by dimension, and dimensions by variable."""
    first, words = evidence.first_change, evidence.position.changes
    runs = np.array(evidence.run_numbers or (0,))
    made = [f"{first + i} {word}" for i, word in enumerate(words[first:])]
    rows = {kind.name: kind.rows for kind in kinds(evidence)} | {IDLE: levels_of(evidence)[0]}
    coords = {
        "change": made + [f"{first + i} not made" for i in range(len(made), CHANGES)],
        "run": runs,
        **{f"run_{name}": runs[at] for name, at in rows.items() if len(at)},
    }
    settings = {f.name: ["run"] for f in fields(evidence.settings)}
    dims = {
        "first": ["change"], "second": ["change"], "all_readings": ["run"],
        **settings, **{name: ["run", "change"] for name in LOADS}, **{name: [f"run_{name}"] for name in rows},
    }  # fmt: skip
    return coords, dims
