# %% [markdown]
# # Comparing decision rules
#
# A small campaign: the same virtual engines, tuned by three rules. Each engine is drawn from the model, so the truth is
# known. A few engines are a demonstration and no comparison. [Benchmarks](../../../model/docs/benchmarks.md) has the
# figures of many.
#
# | rule | what it does |
# |---|---|
# | thumb | Common practice: an eighth of a turn by the EGT rise, then the next needle by the idle. |
# | middle | Turns by the median that the model gives, and stops where that is less than half a step. |
# | service | The next step of the service, until it says "tuned". |

# %%
import json
from importlib.resources import files

import numpy as np
import pandas as pd

import taperwise
from taperwise.model.simulation.common_practice import next_adjustment
from taperwise.model.simulation.tuned import FIELD
from taperwise.model.simulation.virtual_engine import VirtualEngine
from taperwise.shared.recommendation import ActionKind
from taperwise.shared.records import Adjustment, ChangeNeedle, Entry, TurnIdleStop, TurnScrew
from taperwise.shared.runs import Run

day = json.loads(files("taperwise.fixtures").joinpath("tuning_day.json").read_text(encoding="utf-8"))
engine = taperwise.read_engine(day).record()
recommender = taperwise.fit(taperwise.read_log(day).until(1), progress=print).recommender
ENGINES, MOST_RUNS = (11, 12), 8

# %% [markdown]
# Each rule sees the log and gives the next adjustment, and whether it calls the engine done. The first rule looks at
# the latest run alone. The other two share one fit: they differ only in what they make of it.


# %%
def thumb(log: list[Entry], needle: str) -> tuple[Adjustment | None, bool]:
    """What common practice does after the latest run."""
    latest = next(entry for entry in reversed(log) if isinstance(entry, Run))
    made = next_adjustment(latest, needle, engine)
    return made, made is None


def middle(log: list[Entry], needle: str) -> tuple[Adjustment | None, bool]:
    """Turns to the middle of the target range of full throttle, as if the median were certain."""
    limits, turns = engine.limits, recommender.learn(engine, log).confidence.offset_turns.median
    steps = round(turns / limits.quantum_turns)
    made = float(np.clip(steps * limits.quantum_turns, -limits.largest_turns, limits.largest_turns))
    return (TurnScrew(made), False) if steps else (None, True)


def service(log: list[Entry], needle: str) -> tuple[Adjustment | None, bool]:
    """What the service suggests; no adjustment where it asks for another run first."""
    learned = recommender.learn(engine, log)
    action = recommender.suggest(learned).action
    made: Adjustment | None = None
    match action.kind:
        case ActionKind.TURN_SCREW:
            made = TurnScrew(action.turns or 0.0)
        case ActionKind.TURN_IDLE_STOP:
            made = TurnIdleStop(action.turns or 0.0)
        case ActionKind.CHANGE_NEEDLE:
            made = ChangeNeedle(action.needle or needle, action.turns_from_mark or 0.0)
    return made, made is None and learned.confidence.stage == "tuned"


RULES = {"thumb": thumb, "middle": middle, "service": service}

# %% [markdown]
# An engine goes from its first run to the end: until the rule calls it done, or for eight runs. The weather changes
# from run to run, and the instruments scatter.


# %%
def tune(by: str, seed: int) -> dict[str, object]:
    """One engine by one rule, and what is really so at the end."""
    virtual, rng = VirtualEngine.draw(engine, seed), np.random.default_rng([seed, 5])
    log: list[Entry] = []
    for runs in range(1, MOST_RUNS + 1):
        log.append(virtual.run(FIELD.weather(rng)))
        made, done = RULES[by](log, virtual.position.needle)
        if done:
            break
        if made is not None:
            virtual.adjust(made)
            log.append(made)
    truth = virtual.truth(FIELD.air)
    return {
        "rule": by, "engine": seed, "runs": runs, "done": done,
        "full throttle right": truth.full_right, "idle right": truth.idle_right,
    }  # fmt: skip


# %%
results = pd.DataFrame([tune(by, seed) for seed in ENGINES for by in RULES])
print(results.to_string(index=False))

# %% [markdown]
# Side by side. "Done" is what the rule says. "Both right" is what is so. "False" counts engines that a rule called done
# while one of the two mixtures was out of target. A rule that stops early needs fewer runs and has more of these.

# %%
results["both right"] = results["full throttle right"] & results["idle right"]
results["false"] = results["done"] & ~results["both right"]
how = {"runs": "median", "done": "sum", "both right": "sum", "false": "sum"}
table = results.groupby("rule", sort=False).agg(how)
print(table.to_string())
assert len(results) == len(RULES) * len(ENGINES)
assert results["runs"].between(1, MOST_RUNS).all()
assert table.loc["service", "false"] <= table.loc["thumb", "false"]
