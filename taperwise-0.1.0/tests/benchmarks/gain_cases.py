"""Experiments whose unknowns are jointly normal, so that nuisances given θ can be drawn exactly.

θ is the offset [turns] and the taper misfit [mm/m]; what a run depends on is linear in θ and in standard normals of its
own. The densities of the readings are the service's own: censored rises, ordered judgements of the idle.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from taperwise.model.design.ground_run import Latents, log_density_of, looked_at
from taperwise.model.design.information import Experiment
from taperwise.model.physics import exhaust, noise
from taperwise.model.physics.priors import PRIORS
from taperwise.model.prediction.predictive import Outcomes

__all__ = ["KINDS", "Case", "cases"]

_F = NDArray[np.float64]

KINDS: dict[str, frozenset[str]] = {
    "rise": frozenset({"rise"}),
    "idle": frozenset({"idle_quality"}),
    "both": frozenset({"rise", "idle_quality"}),
}
"""What is read, as channels."""

_WIDTHS = (1.0, 0.4, 0.15)  # of the posterior, over one after a run or none
_TURNS = (-0.25, 0.0, 0.25)
_OFFSET_SD, _MISFIT_SD, _TOGETHER = 0.6, 0.8, -0.4
_FULL_PER_TURN, _IDLE_PER_TURN, _IDLE_PER_MISFIT = 0.16, 0.25, 0.10

_ACTIVE = (
    "full", "idle", "exhaust_scale", "exhaust_width", "gap_lean", "gap_smooth", "gap_rich", "blur", "rise_noise"
)  # fmt: skip
_POSITIVE = {
    "exhaust_scale": "exhaust_scale", "exhaust_width": "exhaust_width", "gap_lean": "idle_gap_lean",
    "gap_smooth": "idle_gap_smooth", "gap_rich": "idle_gap_rich", "blur": "idle_blur", "rise_noise": "rise_noise",
}  # fmt: skip
_WITH_THETA = {"exhaust_scale": (0.5, 0.0), "exhaust_width": (-0.2, 0.0), "gap_smooth": (0.0, 0.5)}
"""Correlations of nuisances with standardised offset and with what of the misfit is not the offset's."""


@dataclass(frozen=True)
class Case:
    """One experiment: a width of the posterior, a setting, and what is read.

    Latents are ``centre + loading · z + own · ε`` with standard normals z of θ, (2,), and ε, one a latent.
    """

    kind: str
    width: float
    turns: float

    @property
    def name(self) -> str:
        """In words."""
        return f"{self.kind}, width {self.width:g}, {self.turns:+g} turns"

    def theta(self, z: _F) -> _F:
        """Offset and misfit of standard normals, (n, 2)."""
        offset = _OFFSET_SD * z[:, 0]
        misfit = _MISFIT_SD * (_TOGETHER * z[:, 0] + np.sqrt(1.0 - _TOGETHER**2) * z[:, 1])
        return self.width * np.stack([offset, misfit], axis=1)

    def latents(self, z: _F, epsilon: _F) -> _F:
        """All latents of a run, (q, …), of standard normals z (…, 2) and ε (…, active)."""
        theta = self.theta(z.reshape(-1, 2)).reshape(z.shape)
        shape = np.broadcast_shapes(z.shape[:-1], epsilon.shape[:-1])
        columns = dict.fromkeys(Latents._fields, np.zeros(shape))
        columns["mixture_scatter"] = np.full(shape, -30.0)  # a logarithm: a run is as its setting
        for i, name in enumerate(_ACTIVE):
            own = epsilon[..., i]
            if name == "full":
                x = 0.13 + _FULL_PER_TURN * (self.turns - theta[..., 0]) + 0.015 * self.width * own
            elif name == "idle":
                # counted from the lean end of smooth
                x = 0.065 + _IDLE_PER_TURN * (self.turns - theta[..., 0]) + _IDLE_PER_MISFIT * theta[..., 1]
                x = x + 0.02 * self.width * own
            else:
                prior, (a, b) = PRIORS[_POSITIVE[name]], _WITH_THETA.get(name, (0.0, 0.0))
                mixed = a * z[..., 0] + b * z[..., 1] + np.sqrt(1.0 - a * a - b * b) * own
                x = np.log(prior.centre) + prior.spread * np.sqrt(self.width) * mixed
            columns[name] = np.broadcast_to(x, shape)
        return np.stack([columns[name] for name in Latents._fields])

    @property
    def nuisances(self) -> int:
        """How many standard normals of its own a run depends on."""
        return len(_ACTIVE)

    def outcomes(self, latents: _F, rng: np.random.Generator) -> Outcomes:
        """Readings drawn for latents (q, n), as the service draws them."""
        x = Latents(*latents)
        shown = exhaust.rise(x.full, np.exp(x.exhaust_scale), np.exp(x.exhaust_width))
        smooth = np.exp(x.gap_smooth)
        cuts = (-np.exp(x.gap_lean), np.zeros_like(smooth), smooth, smooth + np.exp(x.gap_rich))
        blurred = x.idle + np.exp(x.blur) * rng.logistic(size=len(x.idle))
        level = np.sum([blurred > cut for cut in cuts], axis=0) + 1.0
        nothing = np.zeros(len(shown))
        return Outcomes(
            noise.draw(shown, np.exp(x.rise_noise), rng),
            noise.draw_level(level, rng),
            idle_rise=nothing,
            static_rpm=nothing,
            idle_rpm=nothing,
            power_rise=nothing,
            ln_meters=nothing[:, None],
        )

    def experiment(self, draws: int, seed: int) -> Experiment:
        """The experiment as the service meets it: so many draws of everything, readings drawn for each."""
        rng = np.random.default_rng([seed, 21])
        z, epsilon = rng.standard_normal((draws, 2)), rng.standard_normal((draws, self.nuisances))
        latents = self.latents(z, epsilon)
        drawn = self.outcomes(latents, rng)
        channels = KINDS[self.kind]
        names = looked_at(channels)
        needed = np.stack([getattr(Latents(*latents), name) for name in names], axis=1)
        return Experiment(self.theta(z), needed, log_density_of(drawn, channels, names=names))


def cases() -> list[Case]:
    """All experiments: what is read, at every width and setting."""
    return [Case(kind, width, turns) for width in _WIDTHS for turns in _TURNS for kind in KINDS]
