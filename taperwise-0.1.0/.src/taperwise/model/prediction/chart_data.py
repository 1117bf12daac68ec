"""What a posterior looks like: the two unknowns that matter, and the mixture along the slide's travel."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Position, conditions_of_run
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.exhaust import mixture_for_rise
from taperwise.model.physics.mixture import idle_cutpoints, needle_place
from taperwise.model.physics.needle import depth_for_area, fuel_area
from taperwise.model.prediction.needle_steps import steps_to_right, true_steps
from taperwise.model.prediction.predictive import predict
from taperwise.model.prediction.setting_draws import (
    full_throttle_window,
    interval,
    predict_current,
    predict_settings,
    setting_of,
    target_at,
    widened,
)
from taperwise.shared.recommendation import Interval, Prediction
from taperwise.shared.runs import Run

__all__ = ["Along", "Around", "along_the_travel", "around_the_target", "foretold"]

_F = NDArray[np.float64]


@dataclass(frozen=True)
class Around:
    """Offset and taper misfit of a setting, draw by draw, and what would be right.

    Parameters
    ----------
    offset_turns, taper_misfit : array, (draws,)
        As in `Target`: both 0 is the middle of what is right. The misfit of needles known by order is in steps.
    right : array of bool, (draws,)
        Whether both ends are in band.
    offset_band : tuple of float
        Offsets at which full throttle is in its band [turns]; medians.
    taper_band : tuple of float
        Misfits at which idle is smooth while the offset is 0; medians.
    tilt : float
        Change of both ends of `taper_band` per turn of offset, for the same screw moves both ends [1/turn]; median.
    in_steps : bool
        Whether misfits are steps along needles known by order; else they are slopes [-].
    """

    offset_turns: _F
    taper_misfit: _F
    right: NDArray[np.bool_]
    offset_band: tuple[float, float]
    taper_band: tuple[float, float]
    tilt: float
    in_steps: bool = False

    def corners(self) -> tuple[tuple[float, float], ...]:
        """Corners (offset, misfit) of what is right at both ends, around."""
        (low, high), (shallow, steep), tilt = self.offset_band, self.taper_band, self.tilt
        return (
            (low, tilt * low + shallow),
            (low, tilt * low + steep),
            (high, tilt * high + steep),
            (high, tilt * high + shallow),
        )


@dataclass(frozen=True)
class Along:
    """Mixture relative to peak EGT along the slide's travel [-].

    Parameters
    ----------
    travel_m : array, (n,)
        From the opening at idle to full throttle [m].
    mixture : tuple of Interval, (n,)
    idle_band, full_band : tuple of float
        Mixtures that are right at either end; medians [-].

    Notes
    -----
    Only the ends are ever observed. Between them every draw lies somewhere between two lines: a straight one, and one
    on which fuel follows the needle's flat while the ratio of the flow gains goes with a power of the opening. So the
    range opens where nothing is known.
    """

    travel_m: _F
    mixture: tuple[Interval, ...]
    idle_band: tuple[float, float]
    full_band: tuple[float, float]


def _place(posterior: Posterior) -> tuple[_F, _F, _F]:
    """Length of taper past the orifice with the slide closed [m], slope [-] and idle opening [m], a draw each."""
    evidence = posterior.evidence
    setting = setting_of(evidence, evidence.position, evidence.conditions)
    place = needle_place(widened(posterior.unknowns, posterior.seed), setting, evidence.throttle)
    start = place.start[:, 0]
    return (
        start,
        np.broadcast_to(place.slope, place.start.shape)[:, 0],
        np.full(len(start), float(np.ravel(place.opening)[0])),
    )


def around_the_target(posterior: Posterior) -> Around:
    """The present setting's offset and taper misfit beside what would be right."""
    now, t = predict_current(posterior), posterior.evidence.throttle
    target = target_at(now, posterior)
    leaner, richer = full_throttle_window(now, posterior)
    start, slope, opening = _place(posterior)
    pitch = posterior.evidence.installation.throttle_body.screw_pitch_m
    area = fuel_area(start + opening, slope, t.orifice_diameter, t.needle_diameter)
    c = idle_cutpoints(posterior.unknowns)
    lean, rich = c.smooth_lean[:, 0], c.smooth_rich[:, 0]

    def depth(wanted: _F) -> _F:
        """Depth of flat that would give idle this mixture [m]."""
        found: _F = depth_for_area(area * np.exp(wanted - now.idle), t.orifice_diameter, t.needle_diameter)
        return found

    middle, between = depth(0.5 * (lean + rich)), t.full_travel - opening
    in_steps = posterior.evidence.installation.by_order
    one = slope * true_steps(posterior) if in_steps else np.ones_like(slope)  # what a misfit is counted in

    def misfit(edge: _F) -> float:
        return float(np.median((depth(edge) - middle) / between / one))

    return Around(
        offset_turns=target.offset_turns,
        taper_misfit=steps_to_right(target, now, posterior) if in_steps else target.taper_misfit,
        right=now.full_right & now.idle_right,
        offset_band=(
            float(np.median(target.offset_turns - richer)),
            float(np.median(target.offset_turns - leaner)),
        ),
        taper_band=(misfit(lean), misfit(rich)),
        tilt=float(np.median(pitch * slope / between / one)),
        in_steps=in_steps,
    )


def along_the_travel(posterior: Posterior, points: int = 41) -> Along:
    """The mixture from idle to full throttle at the present setting."""
    now, t = predict_current(posterior), posterior.evidence.throttle
    u = posterior.unknowns
    start, slope, opening = _place(posterior)
    travel = np.linspace(float(opening[0]), t.full_travel, points)
    area = np.log(fuel_area(start[:, None] + travel, slope[:, None], t.orifice_diameter, t.needle_diameter))
    share = np.log(travel / travel[0]) / math.log(travel[-1] / travel[0])
    at_idle, at_full = now.idle - area[:, 0], now.full - area[:, -1]
    shaped = area + at_idle[:, None] + (at_full - at_idle)[:, None] * share
    even = (travel - travel[0]) / (travel[-1] - travel[0])
    straight = now.idle[:, None] + (now.full - now.idle)[:, None] * even
    how_shaped = np.random.default_rng([posterior.seed, 6]).uniform(size=(len(start), 1))
    mixture = np.exp(straight + how_shaped * (shaped - straight))
    c = idle_cutpoints(u)
    low, high = posterior.evidence.installation.targets.rise_kelvin

    def full(rise: float) -> float:
        return float(np.median(np.exp(mixture_for_rise(rise, u.exhaust_scale, u.exhaust_width))))

    return Along(
        travel_m=travel,
        mixture=tuple(interval(column) for column in mixture.T),
        idle_band=(float(np.median(np.exp(c.smooth_lean))), float(np.median(np.exp(c.smooth_rich)))),
        full_band=(full(low), full(high)),
    )


def foretold(before: Posterior, position: Position, run: Run) -> Prediction | None:
    """What a run should have shown by all that was known before it.

    Parameters
    ----------
    before : Posterior
        Of the log up to the run before.
    position : Position
        At which the run was made.

    Returns
    -------
    Prediction or None
        None where more than one change lies between, which a posterior cannot be carried over.
    """
    if len(position.changes) - len(before.evidence.position.changes) > 1:
        return None
    return predict(predict_settings(before, [position], conditions_of_run(run, before.evidence.usual_head))[0], before)
