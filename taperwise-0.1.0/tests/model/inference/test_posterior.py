"""The sampler against dense quadrature, and simulation-based calibration."""

from collections.abc import Callable
from functools import cache
from itertools import product
from typing import NamedTuple

import numpy as np
import pytest
from numpy.polynomial.hermite_e import hermegauss
from numpy.typing import NDArray
from scipy import stats

from taperwise.model.inference.dataset import gather
from taperwise.model.inference.likelihood import log_likelihood
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.mixture import Unknowns, mixtures
from taperwise.model.physics.priors import ROUGH_RISE_KELVIN
from taperwise.model.prediction.predictive import draw_outcomes
from taperwise.model.prediction.setting_draws import predict_current, predict_settings, target_at
from taperwise.model.recommender import Recommender
from taperwise.model.simulation import virtual_engine
from taperwise.shared.records import ChangeNeedle, Engine, Entry, Installation, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run
from tests.conftest import NEEDLES

_AIR = Air(288.15, 101_325.0)
_F = NDArray[np.float64]


def _nodes(n: int, centre: float, spread: float) -> tuple[_F, _F]:
    z, w = hermegauss(n)
    return centre + spread * z, w / w.sum()


def _area(length: _F) -> _F:
    """Uncovered fuel area at the default geometry [mm²], written anew from the central angle."""
    h = 30e-3 * length
    angle = 2 * np.arccos(1 - h / 1.5)
    return 0.5 * 1.5**2 * (angle - np.sin(angle)) + np.pi / 4 * (3.02**2 - 3.0**2)


def _scatter(x: _F, scale: _F) -> tuple[_F, _F]:
    """Density and distribution function of a reading, from scipy's logistic."""
    return (
        0.9 * stats.logistic.pdf(x, scale=scale) + 0.1 * stats.logistic.pdf(x, scale=3 * scale),
        0.9 * stats.logistic.cdf(x, scale=scale) + 0.1 * stats.logistic.cdf(x, scale=3 * scale),
    )


def _rise(x: _F, scale: float, width: float) -> _F:
    """Rise to peak at ln mixtures x, written anew [K]."""
    distance = np.where(x > 0, np.expm1(x), -np.expm1(-3 * x) / 3)
    rise: _F = np.sign(x) * scale * (np.sqrt(distance**2 + width**2) - width)
    return rise


def _quadrature(reading_kelvin: float | None) -> tuple[float, float]:
    """Mean and sd of ln mixture at full throttle after one rise (None: it fell at once), by dense quadrature.

    The numbers of the prior table are written out, so that a change of either side shows.
    """
    offset, w_offset = _nodes(15, 0.0, 0.8)  # mm
    scale, w_scale = _nodes(25, np.log(780 / 1.8), 0.25)
    width, w_width = _nodes(7, np.log(0.035), 0.25)
    noise, w_noise = _nodes(7, np.log(3.0), 0.4)
    of_run, w_of_run = _nodes(7, np.log(0.01), 0.5)
    bias, w_bias = _nodes(9, 0.0, 6.5)  # K
    power, w_power = _nodes(9, 2.2, 1.7)  # of the area, on its logit
    x = np.linspace(-1.0, 1.2, 4001)
    share = 0.5 + 0.5 / (1.0 + np.exp(-power))
    shift = share * (np.log(_area(34.0 + offset)) - np.log(_area(np.array(34.0))))[:, None]
    weights = w_offset[:, None] * w_power
    prior = (weights[:, :, None] * stats.norm.pdf(x, 0.13 + shift[:, :, None], 0.12)).sum(axis=(0, 1))
    likelihood = np.zeros_like(x)
    for (s, ws), (w, ww), (t, wt) in product(
        zip(np.exp(scale), w_scale, strict=True), zip(np.exp(width), w_width, strict=True),
        zip(np.exp(of_run), w_of_run, strict=True),
    ):  # fmt: skip
        shown, one_richer = _rise(x, s, w), _rise(x + t, s, w)
        for b, wb in zip(np.exp(noise), w_noise, strict=True):
            wide = np.hypot(b, np.sqrt(3.0) / np.pi * (one_richer - shown))
            away = (0.0 if reading_kelvin is None else reading_kelvin) - shown - bias[:, None]
            seen = w_bias @ _scatter(away, wide)[1 if reading_kelvin is None else 0]
            likelihood += ws * ww * wt * wb * seen
    posterior = prior * likelihood
    posterior /= posterior.sum()
    mean = float((posterior * x).sum())
    return mean, float(np.sqrt((posterior * (x - mean) ** 2).sum()))


_READINGS = pytest.mark.parametrize("reading", [None, 5.0, 55.0, 160.0])


def _one_rise(reading: float | None) -> list[Entry]:
    seen = ExhaustRise(RiseSeen.FELL_AT_ONCE) if reading is None else ExhaustRise(RiseSeen.PEAK, reading)
    return [Run(_AIR, rise=seen)]


@_READINGS
def test_one_rise_against_quadrature(
    recommender: Recommender, installation: Installation, reading: float | None
) -> None:
    """After one reading, mean and sd of the mixture match dense quadrature within Monte Carlo error."""
    posterior = recommender.learn(installation, _one_rise(reading)).posterior
    mean, sd = _quadrature(reading)
    draws = posterior.unknowns.ln_full
    error = sd / np.sqrt(posterior.diagnostics.ess_bulk_min)
    assert posterior.diagnostics.converged
    assert draws.mean() == pytest.approx(mean, abs=4 * error)
    assert draws.std() == pytest.approx(sd, rel=4 / np.sqrt(posterior.diagnostics.ess_tail_min))


def test_nothing_recorded_gives_the_prior(recommender: Recommender, installation: Installation) -> None:
    """Without a run the draws are the prior's, as drawn by numpy."""
    u = recommender.learn(installation, []).posterior.unknowns
    rng = np.random.default_rng(5)
    drawn = [draw_unknowns(installation, rng) for _ in range(2000)]
    for name in ("ln_full", "ln_idle", "density_exponent", "exhaust_scale", "idle_first_cut", "static_rpm", "idle_rpm"):
        ours, theirs = getattr(u, name)[::4, 0], np.array([getattr(d, name)[0, 0] for d in drawn])
        assert stats.ks_2samp(ours, theirs).pvalue > 1e-3, name


def test_diagnostics_travel(recommender: Recommender, installation: Installation) -> None:
    """Every posterior carries its diagnostics, and says whether to believe it."""
    d = recommender.learn(installation, [Run(_AIR, idle_quality=IdleQuality.SMOOTH)]).posterior.diagnostics
    assert d.converged
    assert d.rhat_max <= 1.01
    assert min(d.ess_bulk_min, d.ess_tail_min) >= 400
    assert (d.chains, d.divergences) == (4, 0)


def _campaign(
    installation: Installation, rng: np.random.Generator
) -> tuple[Unknowns, list[Entry], virtual_engine.VirtualEngine]:
    """An engine from the prior with three to five runs, turned between them, its needle sometimes changed."""
    unknowns = draw_unknowns(installation, rng)
    engine = virtual_engine.VirtualEngine(installation, unknowns, rng)
    log: list[Entry] = []
    for i in range(rng.integers(3, 6)):
        air = Air(rng.uniform(265, 305), rng.uniform(90_000, 102_000))
        log.append(engine.run(air, idle_rise=bool(i % 2), speeds=bool(i % 2), instruments=bool(i % 2)))
        needle = ChangeNeedle("taper 30.6" if engine.position.needle == "taper 30.0" else "taper 30.0")
        adjustment = needle if rng.random() < 0.3 else TurnScrew(float(rng.choice([-0.25, -0.125, 0.125, 0.25])))
        engine.adjust(adjustment)
        log.append(adjustment)
    return unknowns, log, engine


def _quantities(posterior: Posterior, u: Unknowns, pivot_start: bool) -> dict[str, _F]:
    """What is ranked: every unknown, the two that matter, and the joint log likelihood."""
    evidence = posterior.evidence
    start = gather(evidence.installation, ()).pivot
    pivot = start if pivot_start else evidence.pivot
    ends = mixtures(u, evidence.settings, pivot, evidence.throttle)
    joint = log_likelihood(evidence.readings, u, ends, evidence.settings, evidence.scales).sum(axis=1)
    at_start = mixtures(u, start, pivot, evidence.throttle)
    found = {n: getattr(u, n)[:, 0] for n in Unknowns.names() if n not in ("ln_full", "ln_idle", "first", "second")}
    found |= {f"first_{i}": u.first[:, i] for i in range(3)} | {f"second_{i}": u.second[:, i] for i in range(3)}
    return found | {"joint": joint, "full": at_start.full[:, 0], "idle": at_start.idle[:, 0]}


def _next_reading(
    posterior: Posterior, engine: virtual_engine.VirtualEngine, rng: np.random.Generator
) -> dict[str, float]:
    """Where the next run's readings fall among those foretold, ties split at random: a fall at once is 0 K of rise."""
    c = posterior.evidence.conditions
    air = Air(288.15 * np.exp(c.ln_temperature), 101_325.0 * np.exp(c.ln_density + c.ln_temperature))
    run = engine.run(air)
    outcomes = draw_outcomes(predict_current(posterior), posterior, rng)
    assert run.rise is not None
    seen = {"next_rise": (run.rise.kelvin, np.clip(outcomes.rise, 0.0, ROUGH_RISE_KELVIN)),
            "next_idle_rpm": (run.idle_rpm, outcomes.idle_rpm)}  # fmt: skip
    found = {}
    for name, (reading, foretold) in seen.items():
        below, same = np.mean(foretold < reading), np.mean(foretold == reading)
        found[name] = float(below + rng.random() * same)
    return found


_ENGINES = 20  # a batch
_BATCHES = range(8)


class _Ranks(NamedTuple):
    """Of a batch: shares of posterior draws below the truth by what is ranked, and how many fits did not converge."""

    shares: dict[str, list[float]]
    failed: int


@pytest.fixture(scope="session")
def ranks(recommender: Recommender) -> Callable[[int], "_Ranks"]:
    """Where the truths of a batch of engines rank; each batch is drawn once."""

    @cache
    def of_batch(batch: int) -> _Ranks:
        rng = np.random.default_rng([11, batch])
        installation = Installation(NEEDLES, "taper 30.0", engine=Engine(egt_probes=3))
        pit: dict[str, list[float]] = {}
        failed = 0
        for _ in range(_ENGINES):
            truth, log, engine = _campaign(installation, rng)
            posterior = recommender.sampler.fit(gather(installation, log), recommender.seed)
            failed += not posterior.diagnostics.converged
            for name, share in _shares(posterior, truth, engine, rng).items():
                pit.setdefault(name, []).append(share)
        return _Ranks(pit, failed)

    return of_batch


def _shares(
    posterior: Posterior, unknowns: Unknowns, engine: virtual_engine.VirtualEngine, rng: np.random.Generator
) -> dict[str, float]:
    """Randomised PIT of everything that is ranked."""
    evidence = posterior.evidence
    truth = Posterior(unknowns, gather(evidence.installation, ()), posterior.diagnostics, 0)
    now, in_truth = (predict_settings(each, [evidence.position], evidence.conditions)[0] for each in (posterior, truth))
    matter, true_matter = target_at(now, posterior), target_at(in_truth, truth)
    drawn = _quantities(posterior, posterior.unknowns, pivot_start=False)
    drawn |= {"offset_turns": matter.offset_turns, "taper_misfit": matter.taper_misfit}
    true = _quantities(posterior, unknowns, pivot_start=True)
    true |= {"offset_turns": true_matter.offset_turns, "taper_misfit": true_matter.taper_misfit}
    found = {}
    for name, draws in drawn.items():
        thin = draws[::8]
        found[name] = float(((thin < true[name][0]).sum() + rng.random()) / (len(thin) + 1))
    return found | _next_reading(posterior, engine, rng)


@pytest.mark.slow
@pytest.mark.longest
@pytest.mark.thorough
@pytest.mark.parametrize("batch", _BATCHES)
def test_truths_rank_uniformly(ranks: Callable[[int], _Ranks], batch: int) -> None:
    """Simulation-based calibration: truths drawn from the prior rank uniformly among posterior draws, for every
    unknown, the joint log likelihood and the two unknowns that matter, and the next run's readings among those
    foretold (Talts et al. 2018, arXiv:1804.06788; Modrák et al. 2023, doi:10.1214/23-BA1404).

    Randomised PIT, Kolmogorov and Smirnov's exact test, one in a thousand over all quantities.
    """
    found = ranks(batch)
    assert found.failed <= 1
    p = {name: stats.kstest(u, "uniform").pvalue for name, u in found.shares.items()}
    assert min(p.values()) > 1e-3 / len(p), sorted(p.items(), key=lambda item: item[1])[:3]


@pytest.mark.slow
@pytest.mark.thorough
def test_truths_of_all_batches_rank_uniformly(ranks: Callable[[int], _Ranks]) -> None:
    """The same over all batches at once: chi-square in ten bins, one in a thousand over all quantities."""
    pooled: dict[str, list[float]] = {}
    assert sum(ranks(batch).failed for batch in _BATCHES) <= 0.02 * _ENGINES * len(_BATCHES)
    for batch in _BATCHES:
        for name, shares in ranks(batch).shares.items():
            pooled.setdefault(name, []).extend(shares)
    p = {name: stats.chisquare(np.histogram(u, bins=10, range=(0, 1))[0]).pvalue for name, u in pooled.items()}
    assert min(p.values()) > 1e-3 / len(p), sorted(p.items(), key=lambda item: item[1])[:3]
