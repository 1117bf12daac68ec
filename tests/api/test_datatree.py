"""A fit as ArviZ takes it: every group and label, and ArviZ's own figures and pictures of it."""

import warnings
from dataclasses import replace
from pathlib import Path
from typing import Any

import arviz_plots
import arviz_stats
import numpy as np
import pytest
import xarray as xr

from taperwise.api.exports.netcdf import datatree, netcdf
from taperwise.model import MODEL_VERSION
from taperwise.model.checking.readable_model import readable_model
from taperwise.model.inference.dataset import gather
from taperwise.model.inference.likelihood import log_likelihood
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import mixtures
from taperwise.shared.records import ChangePart, Entry, Installation, Needle, Part, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.recorded import Prior

_NEEDLES = (Needle("A", 0.03), Needle("B", 0.031))
_AIR = Air(288.15, 101_325.0)
_LOG: list[Entry] = [
    Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, 89.0), idle_quality=IdleQuality.SLIGHTLY_RICH, static_rpm=2_700.0),
    TurnScrew(-0.125),
    Run(_AIR, idle_quality=IdleQuality.SMOOTH, meters=(("lambda_full_rich", 0.85),)),
    ChangePart(Part.EXHAUST),
    Run(_AIR, rise=ExhaustRise(RiseSeen.FELL_AT_ONCE), idle_rpm_rise=0.0),
]


@pytest.fixture(scope="module")
def posterior() -> Posterior:
    """Draws from near one engine of the prior, so that weights do not collapse."""
    return Prior(400, 0.1).fit(gather(Installation(_NEEDLES, "A"), _LOG), 3)


@pytest.fixture(scope="module")
def tree(posterior: Posterior) -> xr.DataTree:
    """The same, labelled."""
    return datatree(posterior)


def test_every_variable_is_labelled(tree: xr.DataTree) -> None:
    """Units and a name each, runs by their numbers, version and seed in every group."""
    groups = {
        "posterior",
        "posterior_predictive",
        "log_likelihood",
        "prior",
        "prior_predictive",
        "observed_data",
        "constant_data",
    }
    assert set(tree.children) == groups
    for name, group in tree.children.items():
        assert (group.attrs["model_version"], group.attrs["seed"]) == (MODEL_VERSION, 3), name
        for variable in group.data_vars.values():
            assert variable.attrs["units"], (name, variable.name)
            assert variable.attrs["long_name"], (name, variable.name)
    assert tree["observed_data"]["rise_read"].dims == ("run_rise_read",)
    assert list(tree["observed_data"]["run_rise_read"]) == [1, 3]
    assert list(tree["observed_data"]["rise_read"].values) == [89.0, 0.0]
    assert list(tree["observed_data"]["idle_quality_read"].values) == [3, 2]
    assert [str(x) for x in tree["posterior"]["change"].values[:3]] == ["0 A", "1 part:exhaust", "2 not made"]
    assert tree["posterior"]["turns_to_target"].dims == ("chain", "draw")


def test_likelihoods_have_units_of_their_own(tree: xr.DataTree) -> None:
    """A reading has its own unit, the log of its likelihood has not."""
    assert tree["observed_data"]["rise_read"].attrs["units"] == "kelvin"
    for name, variable in tree["log_likelihood"].data_vars.items():
        assert variable.attrs["units"] == "nats", name
        assert variable.attrs["long_name"].startswith("log likelihood of "), name


def test_runs_stand_as_in_the_readable_model(posterior: Posterior, tree: xr.DataTree) -> None:
    """Both have the runs as they were made, though the sampler has them in another order."""
    assert list(posterior.evidence.run_numbers) != [1, 2, 3]
    model = readable_model(posterior.evidence)
    assert list(model.coords["run"] or ()) == list(tree["log_likelihood"]["run"].values) == [1, 2, 3]
    assert model["ln_density"].get_value() == pytest.approx(tree["constant_data"]["ln_density"].values)


def test_divergences_are_truths(posterior: Posterior) -> None:
    """Pictures and figures select draws by them."""
    stepped = replace(posterior, steps={"diverging": np.array([[0.0, 1.0]]), "energy": np.array([[1.0, 2.0]])})
    stats = datatree(stepped)["sample_stats"]
    assert stats["diverging"].dtype == bool
    assert stats["diverging"].values.tolist() == [[False, True]]
    assert stats["energy"].dtype == float


def test_readings_of_a_run_add_up(posterior: Posterior, tree: xr.DataTree) -> None:
    """Kind by kind they come to the log likelihood of the run, as the model's own function has it."""
    evidence, u = posterior.evidence, posterior.unknowns
    ends = mixtures(u, evidence.settings, evidence.pivot, evidence.throttle)
    theirs = log_likelihood(evidence.readings, u, ends, evidence.settings, evidence.scales)
    ours = tree["log_likelihood"]["all_readings"].sel(run=list(evidence.run_numbers)).values.reshape(theirs.shape)
    assert ours == pytest.approx(theirs, rel=1e-9)


def test_a_file_reads_back(posterior: Posterior, tree: xr.DataTree, tmp_path: Path) -> None:
    """The same draws, labels and attributes."""
    (tmp_path / "p.nc").write_bytes(netcdf(posterior))
    opened = xr.open_datatree(tmp_path / "p.nc", engine="h5netcdf")
    for name, group in tree.children.items():
        xr.testing.assert_equal(opened[name].to_dataset(), group.to_dataset())
    assert opened["posterior"]["offset"].attrs["units"] == "m"
    opened.close()


def test_nothing_recorded_is_a_tree_too() -> None:
    """Posterior, prior and settings; no readings."""
    empty = Prior(40).fit(gather(Installation(_NEEDLES, "A"), []), 1)
    assert set(datatree(empty).children) == {"posterior", "prior", "constant_data"}


def test_loo_and_the_summary_run_on_it(tree: xr.DataTree) -> None:
    """Left out one by one: readings of a kind, or whole runs."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", UserWarning)  # of weights: these draws are no posterior
        for name, count in (("rise_read", 2), ("all_readings", 3)):
            found = arviz_stats.loo(tree, var_name=name)
            assert found.n_data_points == count
            assert np.isfinite(found.elpd)
    summary = arviz_stats.summary(tree, var_names=["turns_to_target", "taper_misfit", "exhaust_scale"])
    assert list(summary.index) == ["turns_to_target", "taper_misfit", "exhaust_scale"]


_PLOTS: dict[str, dict[str, Any]] = {
    "plot_trace": {"var_names": ["offset", "exhaust_scale"]},
    "plot_rank": {"var_names": ["offset", "exhaust_scale"]},
    "plot_forest": {"var_names": ["offset", "exhaust_scale"]},
    "plot_dist": {"var_names": ["turns_to_target"]},
    "plot_prior_posterior": {"var_names": ["exhaust_scale"]},
    "plot_ppc_dist": {"var_names": ["rise_read"]},
    "plot_autocorr": {"var_names": ["offset"]},
}


@pytest.mark.parametrize("name", _PLOTS)
def test_arviz_draws_it(tree: xr.DataTree, name: str) -> None:
    """Its usual pictures come out, without a backend to paint them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert getattr(arviz_plots, name)(tree, backend="none", **_PLOTS[name]) is not None
