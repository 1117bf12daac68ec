"""``sweep-weights``: trains the weights by which the sweep reader judges the probe's lag."""

import json
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from multiprocessing import get_context
from typing import Annotated, Any

import numpy as np
import typer
from numpy.typing import NDArray
from scipy.linalg import block_diag

from tests.benchmarks.shared_out import quietly

__all__ = ["examples", "sweep_weights", "train"]

_F = NDArray[np.float64]
_HIDDEN = (64, 32)
_BATCH, _DECAY, _HELD = 256, 3e-4, 0.15
_NETS = 3  # whose mean is kept
_CHUNK = 500
_FAR = 1.0  # reaches beyond which the middle is pulled no harder (Huber): a part wrongly found says little of others


def examples(seed: int, chunk: int, count: int = _CHUNK) -> tuple[_F, _F]:
    """A chunk of simulated leanings as the reader describes them: features, and the truth as `train` takes it.

    Parameters
    ----------
    seed, chunk : int
        Which ones: the same numbers give the same leanings.
    count : int
        How many are drawn; those in which no peak is seen are left out.
    """
    from taperwise.model.traces.gas_path import solve_paths
    from taperwise.model.traces.learned_rise import describe, first_estimate, peak_passed, reach
    from taperwise.model.traces.sweep import channels
    from taperwise.model.traces.sweep_part import find_part
    from taperwise.shared.errors import InvalidValueError
    from tests.benchmarks.engines.training_leanings import draw_example

    rng = np.random.default_rng([seed, chunk])
    features, truth = [], []
    for _ in range(count):
        example = draw_example(rng)
        try:
            part = find_part(example.seconds, example.kelvin)
        except InvalidValueError:  # too short to be read
            continue
        if part.risen < part.least:
            continue
        drive, beside = channels(part, example.drive, example.beside)
        paths = solve_paths(part.seconds, part.kelvin, part.start, part.noise, drive, beside)
        if not peak_passed(part, paths):
            continue
        mean, sd = first_estimate(paths)
        features.append(describe(part, paths, drive is not None, beside is not None))
        truth.append(((example.rise - mean) / reach(mean, sd), np.log(example.lag)))
    return np.array(features), np.array(truth)


def sweep_weights(
    chunks: Annotated[int, typer.Option("--chunks", min=1, help="How many times 500 simulated leanings.")] = 100,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the leanings and of the training.")] = 7,
    rounds: Annotated[int, typer.Option("--rounds", min=1, help="Passes over all examples.")] = 60,
    workers: Annotated[int, typer.Option("--workers", min=1, help="Processes.")] = 2,
) -> None:
    """Train the sweep reader's weights on simulated leanings, and write them into the model."""
    from taperwise.model.traces.learned_rise import WEIGHTS

    with ProcessPoolExecutor(workers, mp_context=get_context("spawn"), initializer=quietly) as pool:
        found = list(pool.map(examples, [seed] * chunks, range(chunks)))
    features, truth = (np.concatenate(parts) for parts in zip(*found, strict=True))
    kept, figures = train(features, truth, np.random.default_rng(seed), rounds)
    about = f"made by python -m tests.benchmarks sweep-weights --chunks {chunks} --seed {seed} --rounds {rounds}"
    WEIGHTS.write_text(json.dumps({"about": about, **kept}, separators=(",", ":")) + "\n", encoding="utf-8")
    typer.echo(json.dumps({"examples": len(truth), **figures}))


def _start(rng: np.random.Generator, sizes: tuple[int, ...]) -> list[_F]:
    out: list[_F] = []
    for a, b in pairwise(sizes):
        out += [rng.normal(0.0, 1.0 / np.sqrt(a), (a, b)), np.zeros(b)]
    return out


def _slopes(p: list[_F], x: _F, truth: _F) -> tuple[float, list[_F]]:
    """Loss and its slopes: Huber for the middle, pinball for ln of the half width of 90 %, squares for ln lag."""
    seen = [x]
    for i in range(0, len(p) - 2, 2):
        seen.append(np.tanh(seen[-1] @ p[i] + p[i + 1]))
    out = seen[-1] @ p[-2] + p[-1]
    off = truth[:, 0] - out[:, 0]
    wide = np.log(np.maximum(np.abs(off), 1e-3)) - out[:, 1]
    pinball = np.where(wide > 0.0, 0.9, -0.1)
    lag = out[:, 2] - truth[:, 1]
    loss = float(np.mean(np.where(np.abs(off) < _FAR, 0.5 * off**2, _FAR * np.abs(off) - 0.5 * _FAR**2)))
    loss += float(np.mean(pinball * wide))
    back = np.stack([-np.clip(off, -_FAR, _FAR), -pinball, 0.3 * lag], axis=1) / len(x)
    slopes: list[_F] = []
    for i in range(len(p) - 2, -1, -2):
        slopes = [seen[i // 2].T @ back, back.sum(axis=0), *slopes]
        back = (back @ p[i].T) * (1.0 - seen[i // 2] ** 2)
    return loss, slopes


def _adam(x: _F, truth: _F, rng: np.random.Generator, rounds: int) -> list[_F]:
    """One network by Adam."""
    p = _start(rng, (x.shape[1], *_HIDDEN, 3))
    first, second = [np.zeros_like(a) for a in p], [np.zeros_like(a) for a in p]
    step = 0
    total = rounds * (len(x) // _BATCH)
    for _ in range(rounds):
        order = rng.permutation(len(x))
        for i in range(0, len(order) - _BATCH + 1, _BATCH):
            step += 1
            batch = order[i : i + _BATCH]
            _, slopes = _slopes(p, x[batch], truth[batch])
            rate = 2e-3 * 0.5 * (1.0 + np.cos(np.pi * step / total)) * min(1.0, step / 200)
            for a, g, m, v in zip(p, slopes, first, second, strict=True):
                m += 0.1 * (g - m)
                v += 0.001 * (g * g - v)
                a -= rate * (m / (1 - 0.9**step) / (np.sqrt(v / (1 - 0.999**step)) + 1e-8) + (_DECAY / 2e-3) * a)
    return p


def _merged(nets: list[list[_F]]) -> list[_F]:
    """One network whose output is the mean of several; they see the same features and share nothing else."""
    out: list[_F] = []
    for i in range(0, len(nets[0]), 2):
        weights, bias = [net[i] for net in nets], [net[i + 1] for net in nets]
        last = i == len(nets[0]) - 2
        joined = np.concatenate(weights, axis=1) if i == 0 else block_diag(*weights)
        out.append(np.concatenate(weights) / len(nets) if last else joined)
        out.append(np.mean(bias, axis=0) if last else np.concatenate(bias))
    return out


def train(features: _F, truth: _F, rng: np.random.Generator, rounds: int) -> tuple[dict[str, Any], dict[str, float]]:
    """Train the networks by Adam; gives what is kept in the file, and how it does on the share that was held out.

    Parameters
    ----------
    features : array, (n, features)
    truth : array, (n, 2)
        Rise less the first estimate over its `reach`; ln of the lag.
    rng : numpy.random.Generator
    rounds : int
        Passes over all examples.
    """
    centre, scale = features.mean(axis=0), features.std(axis=0) + 1e-6
    x = np.clip((features - centre) / scale, -4.0, 4.0)
    held = rng.random(len(x)) < _HELD
    p = _merged([_adam(x[~held], truth[~held], rng, rounds) for _ in range(_NETS)])
    out = x
    for i in range(0, len(p) - 2, 2):
        out = np.tanh(out @ p[i] + p[i + 1])
    out = out @ p[-2] + p[-1]
    # the half width is centred on examples that were not trained on
    wide = np.log(np.maximum(np.abs(truth[held, 0] - out[held, 0]), 1e-3)) - out[held, 1]
    more = float(np.quantile(wide, 0.9))
    p[-1][1] += more
    off = truth[held, 0] - out[held, 0]
    layers = [[np.round(p[i], 4).tolist(), np.round(p[i + 1], 4).tolist()] for i in range(0, len(p), 2)]
    kept = {"centre": np.round(centre, 5).tolist(), "scale": np.round(scale, 5).tolist(), "layers": layers}
    figures = {"held_out": int(held.sum()), "rmse": float(np.sqrt(np.mean(off**2))), "bias": float(off.mean()),
               "first_rmse": float(np.sqrt(np.mean(truth[held, 0] ** 2))), "widened": more,
               "train_rmse": float(np.sqrt(np.mean((truth[~held, 0] - out[~held, 0]) ** 2))),
               "ln_lag_rmse": float(np.sqrt(np.mean((truth[held, 1] - out[held, 2]) ** 2)))}  # fmt: skip
    return kept, figures
