# %% [markdown]
# # Checking the model
#
# Prior predictive, calibration, posterior predictive and leave-one-out, on an invented log. A check with invented logs
# shows that the calculation is right. It cannot show that a real engine is as the model says.

# %%
import json
from importlib.resources import files

import arviz_stats
import numpy as np

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
# Which EGT rise does the model expect before the first run? Most engines show a peak, some fall at once.

# %%
prior_rise = tree["prior_predictive"]["rise_read"].isel(run_rise_read=0)
print("fell at once:", float((prior_rise <= 0).mean()))
print("rise, kelvin:", prior_rise.quantile([0.05, 0.5, 0.95]).values)
assert 0.01 < float((prior_rise <= 0).mean()) < 0.5

# %% [markdown]
# ## The same log as a PyMC model
#
# Every unknown has its own name, unit and prior. Change it and sample it with any NUTS: `pm.sample(model=model)`.

# %%
model = fit.pymc_model()
print([variable.name for variable in model.free_RVs][:8])
print([variable.name for variable in model.observed_RVs])

# %% [markdown]
# ## After the runs
#
# Is each reading within what the posterior would draw again? A share of 0 or 1 in every run would be a misfit.

# %%
again, seen = tree["posterior_predictive"].to_dataset(), tree["observed_data"].to_dataset()
shares = {name: (again[name] < seen[name]).mean(("chain", "draw")).values.round(2) for name in seen.data_vars}
for name, share in shares.items():
    print(name, share)
rise_shares = shares["rise_read"]
assert 0.02 < rise_shares.mean() < 0.98

# %% [markdown]
# ## Leave one out
#
# Once over whole runs, once over the EGT rises alone. Few runs are few: each carries much, so the shape k is high.

# %%
for name in ("all_readings", "rise_read"):
    print(arviz_stats.loo(tree, var_name=name))

# %% [markdown]
# ## Calibration
#
# Engines drawn from the prior, three runs each: the true mixture should rank evenly among the draws. Few engines are
# fitted here, so only a gross error would show. `tests/model/inference/test_posterior.py` draws many.

# %%
engine = taperwise.read_engine(day)
record, air = engine.record(), Air(288.15, 101_325.0)
recommender, ranks = fit.recommender, []
for seed in range(6):
    rng = np.random.default_rng(seed)
    truth = draw_unknowns(record, rng)
    virtual = VirtualEngine(record, truth, rng)
    posterior = recommender.fit(record, [virtual.run(air) for _ in range(3)])
    # standard air at the start position: the truth's own pivot
    ranks.append(float((posterior.unknowns.exhaust_scale < truth.exhaust_scale).mean()))
print("ranks of the true exhaust scale:", np.round(ranks, 2))
assert 0.1 < np.mean(ranks) < 0.9
