"""An engine in the middle of what is believed before any run: what a turn and a needle do to it."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Position, gather, settings_of, start_position
from taperwise.model.inference.prior_draws import draw_unknowns
from taperwise.model.physics import exhaust
from taperwise.model.physics.air import STANDARD
from taperwise.model.physics.mixture import Cuts, Unknowns, idle_cutpoints, mixtures
from taperwise.shared.records import ChangeNeedle, Installation

__all__ = ["BothEnds", "believed_rises", "both_ends"]

_F = NDArray[np.float64]
_DRAWS = 4001


@dataclass(frozen=True)
class BothEnds:
    """Mixtures at the two ends over phi at peak EGT [-], one a setting, and what is right at each.

    Parameters
    ----------
    full, idle : array, (n,)
    full_band, idle_band : tuple of float
    """

    full: _F
    idle: _F
    full_band: tuple[float, float]
    idle_band: tuple[float, float]


def _middling(installation: Installation, seed: int) -> Unknowns:
    """Every unknown at its median, (1, 1); marks and slopes without error."""
    drawn = draw_unknowns(installation, np.random.default_rng(seed), draws=_DRAWS)
    middle = {n: np.median(getattr(drawn, n), axis=0, keepdims=True) for n in Unknowns.names()}
    still = np.zeros_like(middle["first"])
    return Unknowns(**{**middle, "first": still, "second": still})


def both_ends(installation: Installation, needle: str, turns: Sequence[float], seed: int = 0) -> BothEnds:
    """Both mixtures of the middling engine in standard air, the screw at those turns from that needle's mark.

    Parameters
    ----------
    turns : sequence of float, (n,)
        From the mark, positive out (richer) [turns].
    """
    u, evidence = _middling(installation, seed), gather(installation, ())
    here: Position = start_position(installation)
    if needle != here.needle:
        here = here.after(ChangeNeedle(needle), installation)
    places = [(replace(here, turns=t), STANDARD) for t in turns]
    ends = mixtures(u, settings_of(installation, places), evidence.pivot, evidence.throttle)
    low, high = (
        float(exhaust.mixture_for_rise(k, u.exhaust_scale, u.exhaust_width)[0, 0])
        for k in installation.targets.rise_kelvin
    )
    c: Cuts = idle_cutpoints(u)
    return BothEnds(
        np.exp(ends.full[0]), np.exp(ends.idle[0]), (float(np.exp(low)), float(np.exp(high))),
        (float(np.exp(c.smooth_lean[0, 0])), float(np.exp(c.smooth_rich[0, 0]))),
    )  # fmt: skip


def believed_rises(installation: Installation, phi: _F, curves: int, seed: int = 0) -> tuple[_F, _F]:
    """Rise to peak over mixture as it may be before any run [K].

    Parameters
    ----------
    phi : array, (n,)
        Mixture over that at peak EGT [-].
    curves : int

    Returns
    -------
    tuple of array
        Of engines drawn from the prior, (curves, n), and the middling one's, (n,).
    """
    drawn = draw_unknowns(installation, np.random.default_rng(seed), draws=curves)
    middle = _middling(installation, seed)
    many, one = (exhaust.rise(np.log(phi)[None, :], u.exhaust_scale, u.exhaust_width) for u in (drawn, middle))
    return many, one[0]
