"""Two libraries of adaptive design on a grid of two unknowns. Run by an interpreter that has them, not by ours.

Reads one JSON object on standard input, writes one. It imports nothing of the service: the environment is another.
"""

import json
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np

Table = Any
"""Log likelihood of a reading given mixture at full throttle, at idle, and turns; arrays that broadcast."""


def _log_likelihood(asked: dict[str, Any], xp: Any, rise: Any, level: Any, full: Any, idle: Any, turns: Any) -> Table:
    """Log of the probability of a binned rise and an idle level, every nuisance at the centre of its prior."""

    def share(z: Any) -> Any:
        return 1.0 / (1.0 + xp.exp(-z))

    x, scale, width = full + asked["full_per_turn"] * turns, asked["exhaust_scale"], asked["exhaust_width"]
    shown = xp.sign(x) * scale * (xp.sqrt(x * x + width * width) - width)
    half = 0.5 * asked["bin_kelvin"]
    upper = xp.where(rise >= asked["rises"][-1], 1.0, share((rise + half - shown) / asked["rise_noise"]))
    lower = xp.where(rise <= asked["rises"][0], 0.0, share((rise - half - shown) / asked["rise_noise"]))
    y, cuts = idle + asked["idle_per_turn"] * turns, asked["cuts"]
    at = xp.asarray([-1e3, *cuts, 1e3])
    number = xp.asarray(level).astype(int)
    judged = share((at[number] - y) / asked["blur"]) - share((at[number - 1] - y) / asked["blur"])
    return xp.log(upper - lower + 1e-12) + xp.log(0.95 * judged + 0.01)


def _adopy(asked: dict[str, Any]) -> Callable[[dict[str, float], float, float], None]:
    # this release still asks for names that numpy has let go of
    for name, kind in (("int", int), ("float", float)):
        if name not in np.__dict__:
            setattr(np, name, kind)
    from adopy import Engine, Model, Task

    def likelihood(turns: Any, full: Any, idle: Any, rise: Any, level: Any) -> Table:
        return _log_likelihood(asked, np, rise, level, full, idle, turns)

    task = Task(designs=["turns"], responses=["rise", "level"])
    engine = Engine(
        task=task,
        model=Model(task=task, params=["full", "idle"], func=likelihood),
        grid_design={"turns": np.array(asked["turns"])},
        grid_param={"full": np.array(asked["full"]), "idle": np.array(asked["idle"])},
        grid_response={"rise": np.array(asked["rises"]), "level": np.arange(1.0, 6.0)},
    )

    def update(design: dict[str, float], rise: float, level: float) -> None:
        engine.update(design, {"rise": rise, "level": level})
        engine.get_design("optimal")

    return update


def _bayesdesign(asked: dict[str, Any]) -> Callable[[dict[str, float], float, float], None]:
    import jax
    import jax.numpy as jnp
    from bed.design import ExperimentDesigner
    from bed.grid import Grid

    def likelihood(parameters: Any, features: Any, designs: Any) -> Table:
        p, f, d = parameters, features, designs
        return jnp.exp(_log_likelihood(asked, jnp, f.rise, f.level, p.full, p.idle, d.turns))

    parameters = Grid(full=np.array(asked["full"]), idle=np.array(asked["idle"]))
    features = Grid(rise=np.array(asked["rises"]), level=np.arange(1.0, 6.0))
    designer = ExperimentDesigner(parameters, features, Grid(turns=np.array(asked["turns"])), likelihood)
    designer.calculateEIG(parameters.normalize(np.ones(parameters.shape)))

    def update(design: dict[str, float], rise: float, level: float) -> None:
        designer.update(rise=rise, level=level, **design)
        jax.block_until_ready(designer.EIG)

    return update


def main() -> None:
    """Build each library's grid outside the clock, feed it the runs before, and time the updates after them."""
    asked = json.load(sys.stdin)
    found: dict[str, Any] = {}
    for name, make in (("adopy", _adopy), ("bayesdesign", _bayesdesign)):
        update = make(asked)
        seconds = []
        for turns, rise, level in asked["readings"]:
            begun = time.perf_counter()
            update({"turns": turns}, rise, level)
            seconds.append(time.perf_counter() - begun)
        found[name] = seconds[asked["before"] :]
    json.dump(found, sys.stdout)


if __name__ == "__main__":
    main()
