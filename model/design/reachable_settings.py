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
_FAR = 12  # the same where it is asked whether a needle fits at all: where full throttle is right is not well known yet
_STOPS = 8  # places of the idle stop either side of the present one
_SPEED_ALONE = 0.1  # what a place of the idle stop is worth that makes the speed right, but not both mixtures
_FEW = 192  # draws that are enough to choose settings, and to say whether any needle fits
_SLACK = 0.02  # what a lean chance is off by chance among so few draws
_PLACES = 64  # settings of needle and screw that are looked at with the idle stop turned


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
    any_chance : float
        Chance that all is right at any setting of a needle on hand, lean limit or not, also far from these.
    """

    positions: tuple[Position, ...]
    right: NDArray[np.bool_]
    worth: NDArray[np.float64]
    any_chance: float

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
    """The prospects with the idle stop as it is; the likeliest settings, near and far, also with it turned to where it
    makes all right, or at least the idle speed.

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
    spacing = _spacing(evidence.installation.limits.quantum_turns)
    base = _far_and_near(prospects, spacing)
    moved = np.arange(-_STOPS, _STOPS + 1) if read else np.zeros(1)
    every = [replace(p, idle_stop_turns=p.idle_stop_turns + k * spacing) for p in base for k in moved]
    few = right_at(posterior, every, conditions, error, draws[:_FEW])
    few_right = few.both & (few.speed | (not read))
    most = evidence.installation.limits.lean_chance
    safe = few.lean.mean(axis=0) <= most + _SLACK
    worth = safe * (few_right.mean(axis=0) + _SPEED_ALONE * few.speed.mean(axis=0))
    worth = worth.reshape(len(base), -1) - 1e-3 * np.abs(moved)  # of equals the nearest
    likeliest = np.argsort(-worth.max(axis=1), kind="stable")[:_PLACES]
    positions = [*prospects.positions, *extra] + [
        replace(base[i], idle_stop_turns=base[i].idle_stop_turns + (moved[worth[i].argmax()] + near) * spacing)
        for i in likeliest
        for near in ((-1, 0, 1) if read else (0,))
    ]
    distinct = tuple(dict.fromkeys(positions))
    found = right_at(posterior, distinct, conditions, error, draws)
    lean = found.lean.mean(axis=0)
    may = np.array(
        [allowed.get(replace(p, idle_stop_turns=0.0), x <= most) for p, x in zip(distinct, lean, strict=True)]
    )
    speed = found.speed | (not read)
    worth = worth_of(found.full, found.both, speed) * may
    return Destinations(distinct, found.both & speed & may, worth, float(few_right.any(axis=1).mean()))


def _far_and_near(prospects: Prospects, spacing: float) -> list[Position]:
    """The prospects, and further settings of each needle around the middle of its own."""
    found = list(prospects.positions)
    for needle in prospects.needles:
        mine = sorted((p for p in prospects.positions if p.needle == needle), key=lambda p: p.turns)
        middle = mine[len(mine) // 2]
        found += [replace(middle, turns=middle.turns + i * spacing) for i in range(-_FAR, _FAR + 1)]
    return list(dict.fromkeys(found))
