# %% [markdown]
# # Comparing decision rules
#
# The same virtual engines, tuned twice: by the rule of thumb and by the service. Two engines are a demonstration.
# [Benchmarks](../../../model/docs/benchmarks.md) has the figures of many.

# %%
import json
from importlib.resources import files

import numpy as np
import pandas as pd

import taperwise
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.common_practice import next_adjustment
from taperwise.model.simulation.tuned import FIELD
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.recommendation import ActionKind
from taperwise.shared.records import Adjustment, ChangeNeedle, Entry, Installation, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Run

day = json.loads(files("taperwise.fixtures").joinpath("tuning_day.json").read_text(encoding="utf-8"))
engine = taperwise.read_engine(day).record()
recommender = taperwise.fit(taperwise.read_log(day).until(1), progress=print).recommender
MOST_RUNS = 8

# %% [markdown]
# Each rule sees the log and gives the next adjustment, or nothing where it would stop.


# %%
def rule_of_thumb(log: list[Entry], engine: Installation, needle: str) -> Adjustment | None:
    """What common practice does after the latest run."""
    latest = next(entry for entry in reversed(log) if isinstance(entry, Run))
    return next_adjustment(latest, needle, engine)


def service(log: list[Entry], engine: Installation, needle: str, recommender: Recommender) -> Adjustment | None:
    """What the service suggests; nothing where it says to keep the setting or to look for a cause."""
    action = recommender.suggest(recommender.learn(engine, log)).action
    match action.kind:
        case ActionKind.TURN_SCREW:
            return TurnScrew(action.turns or 0.0)
        case ActionKind.TURN_IDLE_STOP:
            return TurnIdleStop(action.turns or 0.0)
        case ActionKind.CHANGE_NEEDLE:
            return ChangeNeedle(action.needle or needle, action.turns_from_mark or 0.0)
    return None


# %% [markdown]
# A suggestion to make another run without an adjustment counts as a run too, so the loop below goes on for those.


# %%
def tune(by: str, seed: int) -> dict[str, object]:
    """One engine from its first run to the end, and what is really so there."""
    virtual, rng = VirtualEngine.draw(engine, seed), np.random.default_rng([seed, 5])
    log: list[Entry] = []
    for runs in range(1, MOST_RUNS + 1):
        log.append(virtual.run(FIELD.weather(rng)))
        needle = virtual.position.needle
        made = rule_of_thumb(log, engine, needle) if by == "thumb" else service(log, engine, needle, recommender)
        done = made is None and (by == "thumb" or recommender.learn(engine, log).confidence.stage == "tuned")
        if done:
            break
        if made is not None:
            virtual.adjust(made)
            log.append(made)
    truth = virtual.truth(FIELD.air)
    return {"by": by, "engine": seed, "runs": runs, "done": done, "both_right": truth.full_right and truth.idle_right}


# %%
results = pd.DataFrame([tune(by, seed) for seed in (11, 12) for by in ("thumb", "service")])
print(results.pivot(index="engine", columns="by", values=["runs", "done", "both_right"]))

# %% [markdown]
# "Done" is what the rule says, "both right" is what is so. A rule that says done too early shows a difference.

# %%
print(results.groupby("by")[["runs", "done", "both_right"]].mean(numeric_only=False))
assert set(results["by"]) == {"thumb", "service"}
assert results["runs"].between(1, MOST_RUNS).all()
