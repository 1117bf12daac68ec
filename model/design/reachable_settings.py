"""Where this engine could be right: settings of every needle on hand, and in which draws it is right there."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Position
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.air import Conditions
from taperwise.model.prediction.setting_draws import SettingDraws, predict_settings, right_at, target_at, worth_of
from taperwise.shared.records import ChangeNeedle

__all__ = ["Destinations", "NeedleOptimum", "Prospects", "destinations_of", "prospects_of"]

_AROUND = 4  # grid positions either side of a needle's middle
_COARSEST = 0.125  # spacing of the grid where the quantum is finer [turns]
_STOPS = 8  # places of the idle stop either side of the present one
_SPEED_ALONE = 0.1  # what a place of the idle stop is worth that makes the speed right, but not both mixtures
_FEW = 64  # draws that are enough to choose a place of the idle stop


@dataclass(frozen=True)
class NeedleOptimum:
    """How good it can get with one needle.

    Parameters
    ----------
    needle : str
    turns : float
        Screw position from the mark with the best chance that both ends are right [turns].
    chance_both : float
        That chance.
    """

    needle: str
    turns: float
    chance_both: float


@dataclass(frozen=True)
class Prospects:
    """Settings and what each draw says of them.

    Parameters
    ----------
    needles : tuple of str
        Labels of the needles on hand, shallowest first.
    positions : tuple of Position
        n settings; those of a needle not fitted now with its mark set afresh.
    right : array of bool, (draws, n)
        Whether both ends are right; False throughout where the lean limit forbids the setting.
    allowed : array of bool, (n,)
        Whether the lean limit allows the setting.
    fits : array of bool, (draws,)
        Whether both ends are right at any of them, lean limit or not.
    """

    needles: tuple[str, ...]
    positions: tuple[Position, ...]
    right: NDArray[np.bool_]
    allowed: NDArray[np.bool_]
    fits: NDArray[np.bool_]

    def chances(self) -> NDArray[np.float64]:
        """Chance that both ends are right, (n,)."""
        found: NDArray[np.float64] = self.right.mean(axis=0)
        return found

    def any_chance(self) -> float:
        """Chance that any of the settings is right: that a needle on hand fits, whatever the lean limit forbids now."""
        return float(self.fits.mean())

    def reaches(self) -> dict[str, NeedleOptimum]:
        """The best setting of every needle; of equals the one nearest to the middle of them."""
        chances = self.chances()
        found = {}
        for needle in self.needles:
            mine = [i for i, p in enumerate(self.positions) if p.needle == needle]
            best = max(chances[i] for i in mine)
            top = [i for i in mine if chances[i] >= best - 0.005]
            centre = float(np.mean([self.positions[i].turns for i in top]))
            middle = min(top, key=lambda i: abs(self.positions[i].turns - centre))
            found[needle] = NeedleOptimum(needle, self.positions[middle].turns, float(chances[middle]))
        return found


def _spacing(quantum: float) -> float:
    return quantum * max(1, round(_COARSEST / quantum))


def _middle(posterior: Posterior, seen: SettingDraws, quantum: float) -> float:
    """The screw position of a needle at which full throttle is in the middle of its band [turns]."""
    offset = target_at(seen, posterior).offset_turns
    return seen.position.turns + quantum * round(float(np.median(offset)) / quantum)


def prospects_of(
    posterior: Posterior, here: Position, conditions: Conditions, extra: Sequence[Position] = ()
) -> Prospects:
    """Settings around the middle of every needle on hand, and around the present one.

    Parameters
    ----------
    here : Position
    conditions : Conditions
    extra : sequence of Position
        Further settings to look at.
    """
    installation = posterior.evidence.installation
    limits = installation.limits
    spacing = _spacing(limits.quantum_turns)
    positions = [here, *extra]
    usable = installation.usable(here.needle)
    fitted = [
        here if needle.label == here.needle else here.after(ChangeNeedle(needle.label), installation)
        for needle in usable
    ]
    for seen in predict_settings(posterior, fitted, conditions):
        middle = _middle(posterior, seen, limits.quantum_turns)
        positions += [replace(seen.position, turns=middle + i * spacing) for i in range(-_AROUND, _AROUND + 1)]
    distinct = list(dict.fromkeys(positions))
    found = right_at(posterior, distinct, conditions, posterior.evidence.ln_density_error)
    allowed = found.lean.mean(axis=0) <= limits.lean_chance
    return Prospects(
        tuple(n.label for n in usable), tuple(distinct), found.both & allowed, allowed, found.both.any(axis=1)
    )


@dataclass(frozen=True)
class Destinations:
    """Settings a tuning may end at, the idle stop included, seen through some of the draws.

    Parameters
    ----------
    positions : tuple of Position
        n settings.
    right : array of bool, (q, n)
        Whether both ends are right and, where idle speed is read at all, that as well; False throughout where the lean
        limit forbids the setting.
    worth : array, (q, n)
        1 where `right`, less where full throttle is right, or both mixtures are: where nothing makes all right, the
        next best is still worth going to.
    fits : array of bool, (q,)
        Whether all is right at any of them, lean limit or not.
    """

    positions: tuple[Position, ...]
    right: NDArray[np.bool_]
    worth: NDArray[np.float64]
    fits: NDArray[np.bool_]

    def index_of(self, position: Position) -> int | None:
        """Number of a setting among them; None where it is not."""
        return self.positions.index(position) if position in self.positions else None


def destinations_of(
    posterior: Posterior,
    prospects: Prospects,
    conditions: Conditions,
    draws: NDArray[np.int64],
    extra: Sequence[Position] = (),
) -> Destinations:
    """The prospects with the idle stop as it is, and around where it makes all right, or at least the idle speed.

    Parameters
    ----------
    prospects : Prospects
    conditions : Conditions
    draws : array of int, (q,)
        Numbers of the draws to look at.
    extra : sequence of Position
        Further settings to look at; one that differs from a prospect by the idle stop only.
    """
    evidence = posterior.evidence
    error = evidence.ln_density_error
    read = "idle_rpm" in evidence.channels
    allowed = {
        replace(p, idle_stop_turns=0.0): ok for p, ok in zip(prospects.positions, prospects.allowed, strict=True)
    }
    base = list(prospects.positions)
    positions = [*base, *extra]
    if read:
        spacing = _spacing(evidence.installation.limits.quantum_turns)
        moved = np.arange(-_STOPS, _STOPS + 1)
        every = [replace(p, idle_stop_turns=p.idle_stop_turns + k * spacing) for p in base for k in moved]
        few = right_at(posterior, every, conditions, error, draws[:_FEW])
        worth = (few.both & few.speed).mean(axis=0) + _SPEED_ALONE * few.speed.mean(axis=0)
        best = moved[np.argmax(worth.reshape(len(base), -1) - 1e-3 * np.abs(moved), axis=1)]  # of equals the nearest
        positions += [
            replace(p, idle_stop_turns=p.idle_stop_turns + (k + near) * spacing)
            for p, k in zip(base, best, strict=True)
            for near in (-1, 0, 1)
        ]
    distinct = tuple(dict.fromkeys(positions))
    found = right_at(posterior, distinct, conditions, error, draws)
    may = np.array([allowed[replace(p, idle_stop_turns=0.0)] for p in distinct])
    speed = found.speed | (not read)
    right = found.both & speed
    return Destinations(distinct, right & may, worth_of(found.full, found.both, speed) * may, right.any(axis=1))
