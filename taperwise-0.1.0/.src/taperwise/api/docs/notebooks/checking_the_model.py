# %% [markdown]
# # Checking the model
#
# Five questions to the model, on an invented log:
#
# 1. What does it expect before any run?
# 2. Does the readable model say the same?
# 3. Would it draw the readings of the log again?
# 4. How well does it predict a run that it has not seen?
# 5. Do its ranges hold as often as they say?
#
# A check with invented logs shows that the calculation is right. It cannot show that a real engine is as the model
# says.

# %%
import json
from importlib.resources import files

import arviz_plots
import arviz_stats
import numpy as np
import pymc

import taperwise
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.runs import Air

day = json.loads(files("taperwise.fixtures").joinpath("tuning_day.json").read_text(encoding="utf-8"))
log = taperwise.simulate(day, runs=6, seed=5)
fit = taperwise.fit(log, progress=print)
tree = fit.to_datatree()
print(list(tree.children))

# %% [markdown]
# ## Before any run
#
# Which EGT rise does the model expect before the first run? Most engines show a peak. Some fall at once, which counts
# as 0. A prior that called one of them impossible, or certain, would be a bad prior.

# %%
prior_rise = tree["prior_predictive"]["rise_read"].isel(run_rise_read=0)
print("chance to fall at once:", round(float((prior_rise <= 0).mean()), 3))
print("rise, 90 % range and median, K:", prior_rise.quantile([0.05, 0.5, 0.95]).values.round(0))
assert 0.01 < float((prior_rise <= 0).mean()) < 0.5

# %% [markdown]
# ## The same log as a PyMC model
#
# Every unknown has its own name, unit and prior. Change one and sample again: `pymc.sample(model=model)`. Here PyMC
# draws one unknown from its prior. The prior in the tree was drawn by other code. Both must agree.

# %%
model = fit.pymc_model()
print([variable.name for variable in model.free_RVs])
print([variable.name for variable in model.observed_RVs])
drawn = pymc.draw(model["exhaust_scale"], draws=2_000, random_seed=1)
kept = tree["prior"]["exhaust_scale"]
print("exhaust scale, prior median:", round(float(np.median(drawn)), 1), "and", round(float(kept.median()), 1))
assert abs(np.median(drawn) - float(kept.median())) < 0.2 * float(kept.std())

# %% [markdown]
# ## After the runs
#
# What has the log told about the exhaust scale? The posterior stands before the prior. In the second picture each line
# is a chain. Lines near the middle, with p above α, say that all chains found the same answer.

# %%
_ = arviz_plots.plot_prior_posterior(tree, var_names=["exhaust_scale"], backend="matplotlib")
_ = arviz_plots.plot_rank(tree, var_names=["turns_to_target", "exhaust_scale"], backend="matplotlib")

# %% [markdown]
# ## Would the posterior draw the readings again?
#
# Each share says how many of the draws are below the reading. Draws that are equal count by half, as ranks do: an EGT
# rise of 0 and an idle quality are often equal. Shares near 0 or 1 in every run would be a misfit.

# %%
again, seen = tree["posterior_predictive"].to_dataset(), tree["observed_data"].to_dataset()
over = ("chain", "draw")
shares = {name: (again[name] < seen[name]).mean(over) + (again[name] == seen[name]).mean(over) / 2 for name in seen}
for name, share in shares.items():
    print(name, share.values.round(2))
assert all(0.1 < float(share.mean()) < 0.9 for share in shares.values())

# %%
_ = arviz_plots.plot_ppc_dist(tree, var_names=["rise_read"], backend="matplotlib")

# %% [markdown]
# ## Leave one out
#
# Once over whole runs, once over the EGT rises alone. The estimate reweights the draws as if a run were missing. The
# shape k says whether that is allowed: below 0.7 it is. With few runs each carries much, so look at k first.

# %%
for name in ("all_readings", "rise_read"):
    left_out = arviz_stats.loo(tree, var_name=name)
    print(left_out)
    assert left_out.n_data_points == 6
    assert np.isfinite(left_out.elpd)

# %% [markdown]
# ## Calibration
#
# Engines drawn from the prior, three runs each. The true value of an unknown should rank evenly among its draws, from 0
# to 1. Few engines are drawn here, so only a gross error would show. `tests/model/inference/test_posterior.py` draws
# many.

# %%
engine = taperwise.read_engine(day)
record, air = engine.record(), Air(288.15, 101_325.0)
recommender, ranks = fit.recommender, []
for seed in range(6):
    rng = np.random.default_rng(seed)
    truth = draw_unknowns(record, rng)
    virtual = VirtualEngine(record, truth, rng)
    posterior = recommender.fit(record, [virtual.run(air) for _ in range(3)])
    ranks.append(float((posterior.unknowns.exhaust_scale < truth.exhaust_scale).mean()))
print("ranks of the true exhaust scale:", np.round(np.sort(ranks), 2))
assert 0.1 < np.mean(ranks) < 0.9
