"""What a logger's trace showed beside the rise: codes and figures, in SI; the presentation makes sentences of them."""

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["LEFT_OUT", "TO_LOOK_AT", "Finding", "FindingCode"]


class FindingCode(StrEnum):
    """Kinds of finding in a logger file."""

    NO_SIGNAL = "no_signal"
    INTERMITTENT = "intermittent"
    COLD = "cold"
    LOW = "low"
    FLAT = "flat"
    DRIFTS = "drifts"
    REPEATS = "repeats"
    FOLLOWS = "follows"
    SLOW = "slow"
    LATE = "late"
    DEPARTS = "departs"
    POOR_FIT = "poor_fit"
    HELD_AT_SHOWN = "sweep_fit_below_shown"
    PEAK_UNSURE = "peak_unsure"
    UNSURE = "unsure"
    THROTTLE_MOVED = "throttle_moved"
    SEVERAL_SWEEPS = "several_sweeps"
    NOT_PLAUSIBLE = "not_plausible"
    NOT_USED = "not_used"


LEFT_OUT = frozenset(
    {
        FindingCode.NO_SIGNAL, FindingCode.INTERMITTENT, FindingCode.COLD, FindingCode.LOW, FindingCode.FLAT,
        FindingCode.DRIFTS, FindingCode.REPEATS, FindingCode.FOLLOWS, FindingCode.SLOW, FindingCode.LATE,
    }
)  # fmt: skip
"""Codes of exhaust columns that are left out of the choice of the leanest cylinder."""

TO_LOOK_AT = LEFT_OUT | {
    FindingCode.DEPARTS, FindingCode.POOR_FIT, FindingCode.HELD_AT_SHOWN, FindingCode.THROTTLE_MOVED,
}  # fmt: skip
"""Codes that stand beside the next step until they are acknowledged; the others are said with their run."""


@dataclass(frozen=True)
class Finding:
    """One thing found in a trace.

    Parameters
    ----------
    code : FindingCode
    column : str
        Column of the trace it was found in; for `NOT_PLAUSIBLE` the field; empty for the trace as a whole.
    other : str
        The column that this one repeats or follows; for `NOT_USED` the reason.
    figure : float or None
        What the column shows: usable share of samples (`NO_SIGNAL`), drop-outs (`INTERMITTENT`), highest temperature
        (`COLD`) [K], level (`LOW`) [K], span (`FLAT`, `DRIFTS`) [K], share of the other's span (`FOLLOWS`),
        delay of its top (`SLOW`) [s], rise so far (`LATE`) or to peak (`DEPARTS`, `HELD_AT_SHOWN`, `PEAK_UNSURE`,
        `UNSURE`) [K], scatter around the fit (`POOR_FIT`) [K], sweeps (`SEVERAL_SWEEPS`), the value (`NOT_PLAUSIBLE`).
    usual : float or None
        What the others show, or what is usual, in the same unit; how far the rise may be off (`UNSURE`) [K].
    """

    code: FindingCode
    column: str = ""
    other: str = ""
    figure: float | None = None
    usual: float | None = None

    @property
    def left_out(self) -> bool:
        """Whether the column is left out of the choice of the leanest cylinder."""
        return self.code in LEFT_OUT
