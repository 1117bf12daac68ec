"""The log likelihood of every kind of reading, written once for the sampler and for prediction."""

from dataclasses import dataclass
from typing import NamedTuple

from taperwise.model.inference.readings import Readings
from taperwise.model.physics import exhaust, idle, noise, static_speed
from taperwise.model.physics.backend import NUMPY, Array, Backend
from taperwise.model.physics.meters import AtFullThrottle, expected, scatter_of
from taperwise.model.physics.mixture import Cuts, Ends, Settings, Unknowns, engine_mean, idle_cutpoints
from taperwise.model.physics.noise import LOGISTIC_SCALE
from taperwise.model.physics.nominal_values import Scales
from taperwise.model.physics.priors import EAR_BIAS, GAUGE_BIAS_KELVIN, POWER_RISE_SHARE
from taperwise.shared.meters import meters

__all__ = [
    "NOT_RISEN",
    "READ",
    "Around",
    "Expected",
    "Scattered",
    "expected_readings",
    "idle_readings",
    "level_log_density",
    "log_likelihood",
    "log_likelihoods",
    "richer",
    "scattered",
]

READ = (
    ("rise", "has_rise"), ("spread", "has_spread"), ("idle_rise", "has_idle_rise"), ("static_rpm", "has_static"),
    ("idle_rpm", "has_idle_rpm"), ("power_rise", "has_power_rise"),
)  # fmt: skip
"""Kinds of reading but for idle judgements and meters: fields of `Readings` with the masks of those that hold one."""

NOT_RISEN = (("rise", "fell"), ("idle_rise", "no_idle_rise"), ("power_rise", "no_power_rise"))
"""Kinds of which there may be none to read, with the masks of those where nothing rose."""

_BOUND = 4.0  # logistic scales: what a rise further off than that tells of its run's mixture is bounded


@dataclass(frozen=True)
class Expected:
    """Noise-free readings at given mixtures.

    `rise` of the leanest cylinder seen and `spread` of the mean over it [K]; `idle_rise`, `static_rpm`, `idle_rpm`,
    `power_rise` [rpm]; `ln_meters` of every meter of `taperwise.shared.meters`, in their order, the logarithm of its
    reading.
    """

    rise: Array
    spread: Array
    idle_rise: Array
    static_rpm: Array
    idle_rpm: Array
    power_rise: Array
    ln_meters: tuple[Array, ...]


def expected_readings(u: Unknowns, ends: Ends, s: Settings, scales: Scales, backend: Backend = NUMPY) -> Expected:
    """What gauges would show without noise.

    Parameters
    ----------
    u : Unknowns
    ends : Ends
        Mixtures, (n,) or (draws, n).
    s : Settings
        The settings they are the mixtures of, (n,).
    scales : Scales
    """
    idle_rise, idle_rpm = idle_readings(u, ends, scales, backend)
    mean = engine_mean(ends.full, u)
    best_static = scales.static_rpm * backend.exp(u.static_rpm)
    static_rpm = static_speed.static_speed(mean, best_static, u.static_curvature, s.ln_density, s.ln_dry, backend)
    rise = exhaust.rise(ends.full, u.exhaust_scale, u.exhaust_width, backend)
    return Expected(
        rise=rise,
        spread=exhaust.rise(mean, u.exhaust_scale, u.exhaust_width, backend) - rise,
        idle_rise=idle_rise,
        static_rpm=static_rpm,
        idle_rpm=idle_rpm,
        power_rise=static_speed.best_power_rise(mean, static_rpm, u.static_curvature, backend),
        ln_meters=expected(AtFullThrottle(u, mean, static_rpm, s, scales, backend)),
    )


def idle_readings(u: Unknowns, ends: Ends, scales: Scales, backend: Backend = NUMPY) -> tuple[Array, Array]:
    """Rise of idle speed on leaning, and idle speed [rpm]; parameters as `expected_readings`."""
    best_rpm = scales.idle_rpm * backend.exp(u.idle_rpm)
    best = idle_cutpoints(u).best
    at_idle = (ends.idle, best, u.idle_gain, best_rpm, ends.opening, u.idle_air_power, backend)
    return idle.leaning_rise(*at_idle), idle.idle_speed(*at_idle)


def level_log_density(r: Readings, ln_mixture: Array, c: Cuts, blur: Array, backend: Backend = NUMPY) -> Array:
    """Log probability of an idle judgement, (n,) or (draws, n): 0 where there is none."""
    w = backend.where
    lower = w(r.level < 2.5, c.stumbling, w(r.level < 3.5, c.smooth_lean, w(r.level < 4.5, c.smooth_rich, c.loading)))
    upper = w(r.level < 1.5, c.stumbling, w(r.level < 2.5, c.smooth_lean, w(r.level < 3.5, c.smooth_rich, c.loading)))
    # the outer levels have one cut only; any wider pair serves for the other
    lower = w(r.level < 1.5, c.stumbling - 1.0, lower)
    upper = w(r.level > 4.5, c.loading + 1.0, upper)
    return r.has_level * noise.log_judged(noise.log_level(r.level, ln_mixture, lower, upper, blur, backend), backend)


def richer(ends: Ends, by: Array) -> Ends:
    """Both ends richer by that much [ln phi]; shapes broadcast."""
    return Ends(ends.full + by, ends.idle + by, ends.opening)


class _Rise(NamedTuple):
    """A rise as it is expected to be read: centre and logistic scale [K], its run's own mixture counted in.

    What was read says where in the scatter of runs this run's mixture lies: `moved` is the mean of that and `left`
    its standard deviation [ln phi], as for normals. The run's other readings are expected there.
    """

    centre: Array
    scale: Array
    moved: Array
    left: Array


def _rise(r: Readings, u: Unknowns, ends: Ends, backend: Backend) -> _Rise:
    shown = exhaust.rise(ends.full, u.exhaust_scale, u.exhaust_width, backend)
    of_a_richer = exhaust.rise(ends.full + u.mixture_scatter, u.exhaust_scale, u.exhaust_width, backend)
    by_run = LOGISTIC_SCALE * (of_a_richer - shown)
    scale = backend.sqrt((r.rise_share * u.rise_noise) ** 2 + r.rise_error**2 + by_run**2)
    centre = shown + GAUGE_BIAS_KELVIN * r.rise_share * u.gauge_bias
    share = r.has_rise * by_run / scale
    off = (r.rise - centre) / scale
    bounded = off / backend.sqrt(1.0 + (off / _BOUND) ** 2)
    return _Rise(
        centre, scale,
        u.mixture_scatter * share * LOGISTIC_SCALE * bounded, u.mixture_scatter * backend.sqrt(1.0 - share**2),
    )  # fmt: skip


def log_likelihood(r: Readings, u: Unknowns, ends: Ends, s: Settings, scales: Scales) -> Array:
    """Log likelihood of each run [nats]; parameters as `expected_readings`.

    Returns
    -------
    array
        Shape (n,) or (draws, n): the sum over the kinds of reading a run holds.
    """
    level, *others = log_likelihoods(r, u, ends, s, scales)
    return level + sum(each.sum(axis=-1) for each in others)


class Around(NamedTuple):
    """A reading as it is expected: its centre and logistic scale, what is unknown of its run's mixture counted in."""

    centre: Array
    scale: Array


@dataclass(frozen=True)
class Scattered:
    """All readings of runs as they are expected; arrays (n,) or (draws, n).

    `rise` and `spread` [K]; `idle_rise`, `static_rpm`, `idle_rpm`, `power_rise` [rpm]; `ln_meters` as in `Expected`;
    `judged` of the idle as an ear judges it: the mixture that is heard, and its blur [ln phi]. `shown` has no noise.
    """

    rise: Around
    spread: Around
    idle_rise: Around
    static_rpm: Around
    idle_rpm: Around
    power_rise: Around
    ln_meters: tuple[Around, ...]
    judged: Around
    shown: Expected


def scattered(r: Readings, u: Unknowns, ends: Ends, s: Settings, scales: Scales, backend: Backend = NUMPY) -> Scattered:
    """Where readings are expected, and how widely they scatter; parameters as `expected_readings`.

    Notes
    -----
    Each run has a mixture of its own, off the setting's by `mixture_scatter`, the same at both ends. It is integrated
    out as for normals: the rise, by far the sharpest reading, moves and narrows it for the run's other readings, and
    these are taken one by one. So `rise` depends on no reading, and all others on that of the rise.
    `tests/model/inference/test_posterior.py` holds the ranks of truths against it.
    """
    rise = _rise(r, u, ends, backend)
    run = richer(ends, rise.moved)
    e = expected_readings(u, run, s, scales, backend)
    one = expected_readings(u, richer(run, rise.left), s, scales, backend)

    def with_run(scale: Array, shown: Array, one_richer: Array) -> Around:
        """A reading with what is left unknown of its run's mixture."""
        return Around(shown, backend.sqrt(scale**2 + (LOGISTIC_SCALE * (one_richer - shown)) ** 2))

    static = r.widening * u.static_rpm_noise
    return Scattered(
        rise=Around(rise.centre, rise.scale),
        spread=Around(e.spread, backend.sqrt((r.rise_share * u.rise_noise) ** 2 + r.rise_error**2)),
        idle_rise=with_run(r.widening * u.idle_rise_noise, e.idle_rise, one.idle_rise),
        static_rpm=with_run(static, e.static_rpm, one.static_rpm),
        idle_rpm=with_run(r.widening * u.idle_rpm_noise, e.idle_rpm, one.idle_rpm),
        power_rise=with_run(POWER_RISE_SHARE * static, e.power_rise, one.power_rise),
        ln_meters=tuple(
            with_run(r.widening * scatter_of(meter.name), shown, richer_shown)
            for meter, shown, richer_shown in zip(meters(), e.ln_meters, one.ln_meters, strict=True)
        ),
        judged=Around(
            run.idle + EAR_BIAS * u.ear_bias,
            backend.sqrt((r.widening * u.idle_blur) ** 2 + (LOGISTIC_SCALE * rise.left) ** 2),
        ),
        shown=e,
    )


def log_likelihoods(
    r: Readings, u: Unknowns, ends: Ends, s: Settings, scales: Scales, backend: Backend = NUMPY
) -> list[Array]:
    """Log likelihoods [nats] whose sum over all that they hold is that of all runs; parameters as `expected_readings`.

    Returns
    -------
    list of array
        Of the idle judgements, (n,) or (draws, n); then of the other readings, with a further axis for their kinds
        where the backend keeps it.
    """
    e = scattered(r, u, ends, s, scales, backend)
    read = [
        *((getattr(r, there), getattr(r, name), *getattr(e, name)) for name, there in READ),
        *((there, read, *around) for there, read, around in zip(r.has_meters, r.ln_meters, e.ln_meters, strict=True)),
    ]
    below = [(getattr(r, none), 0.0, *getattr(e, name)) for name, none in NOT_RISEN]
    below.insert(1, (r.rough, -r.rise, -e.rise.centre, e.rise.scale))  # above the reading is below it, mirrored
    terms = [level_log_density(r, e.judged.centre, idle_cutpoints(u), e.judged.scale, backend)]
    for kinds, density in ((read, noise.log_density), (below, noise.log_below)):
        held = [kind for kind in kinds if backend.may_hold(kind[0])]
        if held:
            # one call for all kinds: a third of the graph, and of its time
            there, reading, centre, scale = (backend.stack(x) for x in zip(*held, strict=True))
            pick = backend.held(there)
            terms.append(pick(there) * density(pick(reading), pick(centre), pick(scale), backend))
    return terms
