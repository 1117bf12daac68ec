"""What a posterior says of a setting: mixtures, readings, and whether they are right, draw by draw."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Evidence, Position, settings_of
from taperwise.model.inference.likelihood import Expected, expected_readings, idle_readings, richer
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.air import Conditions, conditions_of
from taperwise.model.physics.exhaust import mixture_for_rise, rise
from taperwise.model.physics.mixture import (
    Cuts,
    NeedlePlace,
    Settings,
    Unknowns,
    by_air,
    flow_gains,
    idle_cutpoints,
    leanest,
    mixtures,
    mixtures_with,
    needle_place,
)
from taperwise.model.physics.needle import depth_for_area, fuel_area
from taperwise.shared.recommendation import Interval

__all__ = [
    "Coldest",
    "Rights",
    "SettingDraws",
    "Target",
    "chance",
    "coldest_of",
    "full_throttle_window",
    "interval",
    "pivot_of",
    "predict_current",
    "predict_settings",
    "right_at",
    "setting_of",
    "target_at",
    "widened",
    "worth_of",
]

Draws = NDArray[np.float64]

_WORTH_BOTH, _WORTH_FULL = 0.5, 0.2  # where only the idle speed is wrong, and where the idle mixture is; judgement


@dataclass(frozen=True)
class SettingDraws:
    """One setting seen through all draws; every array of shape (draws,).

    Parameters
    ----------
    position : Position
    conditions : Conditions
        Air and head of fuel.
    opening : float
        ln of the area open at idle over the recorded one.
    full, idle : array
        ln(phi / phi at peak EGT) at either end; `full` of the leanest cylinder that has an exhaust probe.
    leanest : array
        The same of the leanest of all cylinders at full throttle.
    rise, idle_rise, static_rpm, idle_rpm, power_rise : array
        Noise-free readings [K; rpm].
    ln_meters : tuple of array
        ln of the noise-free reading of every meter of `taperwise.shared.meters`, in their order.
    one_richer : Expected
        Noise-free readings of a run whose own mixture is one `mixture_scatter` richer than the setting's, (draws, 1).
    full_right, idle_right, speed_right : array of bool
        Whether each stage is right: in its band, and full throttle not lean of peak in the coldest air to come if the
        band has room for that.
    lean_when_coldest : array of bool or None
        Whether the leanest cylinder is lean of peak at full throttle in that air; None where nobody said how cold.
    """

    position: Position
    conditions: Conditions
    opening: float
    full: Draws
    idle: Draws
    leanest: Draws
    rise: Draws
    idle_rise: Draws
    static_rpm: Draws
    idle_rpm: Draws
    power_rise: Draws
    ln_meters: tuple[Draws, ...]
    one_richer: Expected
    full_right: NDArray[np.bool_]
    idle_right: NDArray[np.bool_]
    speed_right: NDArray[np.bool_]
    lean_when_coldest: NDArray[np.bool_] | None = None

    @property
    def lean(self) -> NDArray[np.bool_]:
        """Whether the leanest cylinder is lean of peak at full throttle, (draws,)."""
        return self.leanest < 0.0


def widened(u: Unknowns, seed: int, more: int = 1) -> Unknowns:
    """The unknowns with so many columns more, standard normal, for changes not made yet."""
    rng = np.random.default_rng([seed, 1])
    extra = [np.c_[x, rng.standard_normal((len(x), more))] for x in (u.first, u.second)]
    return replace(u, first=extra[0], second=extra[1])


def setting_of(evidence: Evidence, position: Position, conditions: Conditions) -> Settings:
    """A setting with a column more, for a change not made yet."""
    return settings_of(evidence.installation, [(position, conditions)], evidence.first_change, extra=1)


def pivot_of(evidence: Evidence, more: int = 1) -> Settings:
    """The pivot with so many columns more, for changes not made yet."""
    pad = ((0, 0), (0, more))
    p = evidence.pivot
    return replace(
        p, slope_load=np.pad(p.slope_load, pad), mark_load=np.pad(p.mark_load, pad), part_load=np.pad(p.part_load, pad)
    )


def predict_settings(
    posterior: Posterior, positions: Sequence[Position], conditions: Conditions, error: float = 0.0
) -> list[SettingDraws]:
    """Outlooks at several positions in the same conditions.

    Parameters
    ----------
    conditions : Conditions
        Air and head of fuel.
    error : float
        Standard error of its ln density, where a setting is to be right in the middle of days of which few are known;
        readings are those in air of that density, what is right or lean of peak allows for the error.
    """
    u = widened(posterior.unknowns, posterior.seed)
    evidence = posterior.evidence
    installation = evidence.installation
    targets = installation.targets
    gains = flow_gains(u, pivot_of(evidence), evidence.throttle)
    shift = _air_shift(u, error, posterior.seed)
    coldest = coldest_of(u, evidence, conditions)
    found = []
    for position in positions:
        s = setting_of(evidence, position, conditions)
        ends = mixtures_with(gains, u, s, evidence.throttle)
        e = expected_readings(u, ends, s, evidence.scales)
        one = expected_readings(u, richer(ends, u.mixture_scatter), s, evidence.scales)
        full, idle = ends.full + shift, ends.idle + shift
        lean_then = None if coldest is None else coldest.lean(full)[:, 0]
        found.append(
            SettingDraws(
                position,
                conditions,
                opening=float(ends.opening[0]),
                full=ends.full[:, 0],
                leanest=leanest(full, u, evidence.scales)[:, 0],
                idle=ends.idle[:, 0],
                rise=e.rise[:, 0],
                idle_rise=e.idle_rise[:, 0],
                static_rpm=e.static_rpm[:, 0],
                idle_rpm=e.idle_rpm[:, 0],
                power_rise=e.power_rise[:, 0],
                ln_meters=tuple(x[:, 0] for x in e.ln_meters),
                full_right=_full_right(full, u, targets.rise_kelvin, coldest)[:, 0],
                one_richer=one,
                idle_right=idle_right(idle, e.idle_rise, u, evidence)[:, 0],
                speed_right=_inside(e.idle_rpm, targets.idle_rpm)[:, 0],
                lean_when_coldest=lean_then,
            )
        )
    return found


def predict_current(posterior: Posterior) -> SettingDraws:
    """The setting as it stands, in the air it is judged in."""
    evidence = posterior.evidence
    return predict_settings(posterior, [evidence.position], evidence.conditions, evidence.ln_density_error)[0]


def _air_shift(u: Unknowns, error: float, seed: int) -> NDArray[np.float64]:
    """What an error of the air's density moves both mixtures by, (draws, 1) [ln phi]; the same for every position."""
    z = np.random.default_rng([seed, 7]).standard_normal((len(u.offset), 1))
    shift: NDArray[np.float64] = -u.density_exponent * error * z
    return shift


class Rights(NamedTuple):
    """What is right at settings, (draws, positions) each: full throttle, both mixtures, idle speed; and what is lean of
    peak.
    """

    full: NDArray[np.bool_]
    both: NDArray[np.bool_]
    speed: NDArray[np.bool_]
    lean: NDArray[np.bool_]


def worth_of(full: NDArray[np.bool_], both: NDArray[np.bool_], speed: NDArray[np.bool_]) -> NDArray[np.float64]:
    """What settings are worth where full throttle, both mixtures and idle speed are right or not; 1 where all are.

    Parameters
    ----------
    full, both, speed : array of bool, (draws, n)

    Returns
    -------
    array, (draws, n)
        Parts of the worth of a setting where all is right [-].
    """
    return np.where(both & speed, 1.0, np.where(both, _WORTH_BOTH, _WORTH_FULL * full))


def right_at(
    posterior: Posterior,
    positions: Sequence[Position],
    conditions: Conditions,
    error: float = 0.0,
    draws: NDArray[np.int64] | None = None,
) -> Rights:
    """What is right at several settings, and whether the leanest cylinder is lean of peak there.

    Parameters
    ----------
    conditions, error
        As for `predict_settings`.
    draws : array of int, (q,), optional
        Numbers of the draws to look at; all of them if left out.
    """
    u = widened(posterior.unknowns, posterior.seed)
    evidence = posterior.evidence
    shift = _air_shift(u, error, posterior.seed)
    if draws is not None:
        u = Unknowns(*(np.asarray(getattr(u, name))[draws] for name in Unknowns.names()))
        shift = shift[draws]
    rows = [(p, conditions) for p in positions]
    s = settings_of(evidence.installation, rows, evidence.first_change, extra=1)
    ends = mixtures(u, s, pivot_of(evidence), evidence.throttle)
    targets = evidence.installation.targets
    full, idle = ends.full + shift, ends.idle + shift
    right = _full_right(full, u, targets.rise_kelvin, coldest_of(u, evidence, conditions))
    idle_rise, idle_rpm = idle_readings(u, ends, evidence.scales)
    both = right & idle_right(idle, idle_rise, u, evidence)
    return Rights(right, both, _inside(idle_rpm, targets.idle_rpm), leanest(full, u, evidence.scales) < 0.0)


def _rise_counts(evidence: Evidence) -> bool:
    """Whether the owner measures the rise of idle speed, which then is to be in its band too."""
    return "idle_rpm_rise" in evidence.channels


def idle_right(idle: Draws, idle_rise: Draws, u: Unknowns, evidence: Evidence) -> NDArray[np.bool_]:
    """Whether idle is right: smooth by ear and, where the rise of its speed is measured, that within its band.

    Parameters
    ----------
    idle : array
        ln(phi / phi at peak EGT), (draws, n) or (draws, 1).
    idle_rise : array
        Noise-free rise of idle speed on leaning [rpm]; looked at where it is measured.

    Returns
    -------
    array of bool, shape of `idle`
    """
    c = idle_cutpoints(u)
    smooth: NDArray[np.bool_] = (idle > c.smooth_lean) & (idle < c.smooth_rich)
    if not _rise_counts(evidence):
        return smooth
    low, high = evidence.installation.targets.idle_rise_rpm
    enough = True if low <= 0.0 else idle_rise >= low  # a band from nought asks for no rise
    return smooth & enough & (idle_rise <= high)


@dataclass(frozen=True)
class Coldest:
    """Full throttle in the coldest air to come.

    Parameters
    ----------
    shift : array, (draws, 1)
        What that air adds to the mixture [ln phi]; below zero where it is denser.
    spare : array, (draws, 1)
        How far the leanest of all cylinders is below the leanest that is seen [ln phi].
    counts : bool
        Whether the band has room for it: at its rich end the chance of running lean then is within the limit.
    """

    shift: Draws
    spare: Draws
    counts: bool

    def lean(self, full: Draws) -> NDArray[np.bool_]:
        """Whether the leanest cylinder is lean of peak then, at that mixture now, (draws, n)."""
        found: NDArray[np.bool_] = full + self.shift < self.spare
        return found


def coldest_of(u: Unknowns, evidence: Evidence, conditions: Conditions) -> Coldest | None:
    """What the coldest air to come asks of settings judged in those conditions; None where nobody said how cold."""
    air = evidence.installation.coldest_air
    if air is None:
        return None
    shift = by_air(u, conditions_of(air)) - by_air(u, conditions)
    zero = np.zeros_like(shift)
    spare = zero - leanest(zero, u, evidence.scales)
    at_the_rich_end = mixture_for_rise(evidence.installation.targets.rise_kelvin[1], u.exhaust_scale, u.exhaust_width)
    lean_there = Coldest(shift, spare, True).lean(at_the_rich_end)
    return Coldest(shift, spare, chance(lean_there) <= evidence.installation.limits.lean_chance)


def _full_right(full: Draws, u: Unknowns, band: tuple[float, float], coldest: Coldest | None) -> NDArray[np.bool_]:
    right = _inside(rise(full, u.exhaust_scale, u.exhaust_width), band)
    return right & ~coldest.lean(full) if coldest is not None and coldest.counts else right


def _inside(x: Draws, band: tuple[float, float]) -> NDArray[np.bool_]:
    right: NDArray[np.bool_] = (x >= band[0]) & (x <= band[1])
    return right


@dataclass(frozen=True)
class Target:
    """The two unknowns that matter; arrays of shape (draws,).

    Parameters
    ----------
    offset_turns : array
        Screw turns from the position to the middle of the full-throttle band; positive = richer.
    taper_misfit : array
        Taper slope that would be right at both ends, less the fitted needle's [-].
    """

    offset_turns: Draws
    taper_misfit: Draws


def _turns_to(
    outlook: SettingDraws, posterior: Posterior, rises: Sequence[float]
) -> tuple[list[Draws], list[Draws], NeedlePlace]:
    """Turns from the position to each rise [turns], the depths of flat needed at full throttle [m], and the place."""
    evidence, u = posterior.evidence, widened(posterior.unknowns, posterior.seed)
    t, body = evidence.throttle, evidence.installation.throttle_body
    place = needle_place(u, setting_of(evidence, outlook.position, outlook.conditions), t)
    slope, length = place.slope[:, 0], (place.start + t.full_travel)[:, 0]
    area = fuel_area(length, slope, t.orifice_diameter, t.needle_diameter)
    wanted = [mixture_for_rise(kelvin, u.exhaust_scale, u.exhaust_width)[:, 0] for kelvin in rises]
    powers = [(w - outlook.full) / u.needle_share[:, 0] for w in wanted]
    depths = [depth_for_area(area * np.exp(power), t.orifice_diameter, t.needle_diameter) for power in powers]
    return [(depth / slope - length) / body.screw_pitch_m for depth in depths], depths, place


def target_at(outlook: SettingDraws, posterior: Posterior) -> Target:
    """Offset and taper misfit, seen from a position.

    Full throttle in the middle of its band asks for one depth of flat, idle in the middle of smooth
    for another; the slope that gives both is their difference over the slide's travel between.
    """
    low, high = posterior.evidence.installation.targets.rise_kelvin
    (turns,), (depth_full,), place = _turns_to(outlook, posterior, [0.5 * (low + high)])
    t = posterior.evidence.throttle
    opening = np.broadcast_to(place.opening, place.start.shape)[:, 0]
    area = fuel_area(place.start[:, 0] + opening, place.slope[:, 0], t.orifice_diameter, t.needle_diameter)
    c: Cuts = idle_cutpoints(posterior.unknowns)
    middle = 0.5 * (c.smooth_lean + c.smooth_rich)[:, 0]
    depth_idle = depth_for_area(area * np.exp(middle - outlook.idle), t.orifice_diameter, t.needle_diameter)
    ideal = (depth_full - depth_idle) / (t.full_travel - opening)
    return Target(turns, ideal - place.slope[:, 0])


def full_throttle_window(outlook: SettingDraws, posterior: Posterior) -> tuple[Draws, Draws]:
    """Turns from the position to the edges of the full-throttle band, leaner edge first, (draws,) each [turns]."""
    leaner, richer = _turns_to(outlook, posterior, posterior.evidence.installation.targets.rise_kelvin)[0]
    return leaner, richer


def interval(x: NDArray[Any]) -> Interval:
    """Median, central 50 % and 90 % intervals of draws, (draws,)."""
    low90, low50, median, high50, high90 = (float(v) for v in np.quantile(x, (0.05, 0.25, 0.5, 0.75, 0.95)))
    return Interval(median, low50, high50, low90, high90)


def chance(right: NDArray[np.bool_]) -> float:
    """Share of draws, (draws,)."""
    return float(np.mean(right))
