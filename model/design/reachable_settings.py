"""Where this engine could be right: settings of every needle on hand, and in which draws both ends are right there."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.dataset import Position
from taperwise.model.inference.sampler import Posterior
from taperwise.model.physics.air import Conditions
from taperwise.model.prediction.setting_draws import SettingDraws, predict_settings, right_at, target_at
from taperwise.shared.records import ChangeNeedle

__all__ = ["NeedleOptimum", "Prospects", "prospects_of"]

_AROUND = 4  # grid positions either side of a needle's middle
_COARSEST = 0.125  # spacing of the grid where the quantum is finer [turns]


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
    fits : array of bool, (draws,)
        Whether both ends are right at any of them, lean limit or not.
    """

    needles: tuple[str, ...]
    positions: tuple[Position, ...]
    right: NDArray[np.bool_]
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
    both, lean = right_at(posterior, distinct, conditions, posterior.evidence.ln_density_error)
    allowed = lean.mean(axis=0) <= limits.lean_chance
    return Prospects(tuple(n.label for n in usable), tuple(distinct), both & allowed, both.any(axis=1))
