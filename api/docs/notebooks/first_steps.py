# %% [markdown]
# # First steps
#
# An engine, a log, a fit, the next step. Everything here is invented. Nothing here is advice for flight.

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
# What would another setting show? And how far would the readings of one run scatter there?

# %%
leaner, richer = fit.what_if(turns=-0.125), fit.what_if(turns=0.125)
print("1/8 turn leaner:", leaner.egt_rise.median, " 1/8 turn richer:", richer.egt_rise.median)
print(fit.predict(turns=0.125).describe())

# %% [markdown]
# The next run is one more entry. The log is never changed: `and_then` gives a new one.

# %%
longer = start.and_then(
    {
        "air_temperature": {"value": 66, "unit": "degF"},
        "pressure": {"value": 29.3, "unit": "inHg"},
        "egt_rise": {"seen": "peak", "rise": {"value": 120, "unit": "delta_degF"}},
        "idle_quality": "slightly_rich",
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
