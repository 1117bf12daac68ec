# %% [markdown]
# # First steps
#
# An engine, a log, a fit, the next step. Everything here is invented. Nothing here is advice for flight.
#
# Five lines are enough for a recommendation:
#
# ```python
# import taperwise
#
# log = taperwise.read_log("tuning_day.json")
# fit = taperwise.fit(log)
# print(fit.recommend())
# ```
#
# The cells below do the same one by one. They take the invented day that comes with the package.

# %%
import json
from importlib.resources import files

import taperwise

day = files("taperwise.fixtures").joinpath("tuning_day.json")
log = taperwise.read_log(json.loads(day.read_text(encoding="utf-8")))
print(log.engine.name, "-", len(log), "entries")

# %% [markdown]
# The log is a table. `taperwise.read_log` reads such a table back, from a DataFrame, CSV or Parquet.

# %%
frame = log.to_frame()
print(frame.iloc[:4, :6])

# %% [markdown]
# The first two entries: a run, and a turn of the needle holder. The first fit in a new cache folder compiles the
# sampler.

# %%
start = log.until(2)
fit = taperwise.fit(start, progress=print)
print("converged:", fit.converged)

# %%
step = fit.recommend()
print(step)

# %% [markdown]
# ## What if, and predict
#
# What would another setting show? `what_if` sums up, in the units of the engine. Richer means a larger EGT rise.

# %%
leaner, richer = fit.what_if(turns=-0.125), fit.what_if(turns=0.125)
print("EGT rise, median, °F: 1/8 turn leaner", round(leaner.egt_rise.median), "- richer", round(richer.egt_rise.median))
assert leaner.egt_rise.median < richer.egt_rise.median

# %% [markdown]
# How far would the readings of one run scatter there? `predict` gives a row a draw, with the scatter of the
# instruments, in SI units: kelvin here, so a figure in °F is 1.8 times as large.

# %%
drawn = fit.predict(turns=0.125)
print(drawn[["rise", "level", "lambda_full_rich"]].quantile([0.05, 0.5, 0.95]).round(2))

# %% [markdown]
# ## One more run
#
# The next run is one more entry. The log is never changed: `and_then` gives a new one.

# %%
longer = start.and_then(
    {
        "air_temperature": {"value": 64, "unit": "degF"},
        "pressure": {"value": 29.32, "unit": "inHg"},
        "egt_rise": {"seen": "peak", "rise": {"value": 128, "unit": "delta_degF"}},
        "idle_quality": "slightly_lean",
    }
)
after = taperwise.fit(longer)
print(after.recommend().action.instruction)

# %% [markdown]
# What the second run taught: how many turns it is to the middle of the target range.

# %%
before_turns, after_turns = (each.to_datatree()["posterior"]["turns_to_target"] for each in (fit, after))
print("standard deviation, turns:", float(before_turns.std()), "->", float(after_turns.std()))
assert float(after_turns.std()) < float(before_turns.std())

# %% [markdown]
# ## Simulate
#
# An invented log of a virtual engine, tuned by a rule of thumb. The same seed gives the same log. A log that nobody
# measured is good for trying things out.

# %%
invented = taperwise.simulate(log.engine, runs=3, seed=5)
print(invented.to_frame()[["entry", "kind", "egt_rise.seen", "idle_quality"]].to_string(index=False))
assert invented.records() == taperwise.simulate(log.engine, runs=3, seed=5).records()
