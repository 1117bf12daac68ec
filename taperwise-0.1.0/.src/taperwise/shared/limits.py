"""The one table of limits. A step beyond its limit cannot be built, whoever asks.

Common practice, no published source: the screw is turned by an eighth, by a quarter at the very
most; a bigger step teaches nothing and can lean an engine at full power.
"""

import math
from dataclasses import dataclass

from taperwise.shared.errors import OutOfRangeError, StepLimitError

__all__ = [
    "CEILING_TURNS",
    "PLAUSIBLE_TURNS",
    "IdleStopStep",
    "ScrewStep",
    "StepLimits",
    "Watch",
]

CEILING_TURNS = 0.25
"""No owner can widen a suggested screw step past this [turns]."""

PLAUSIBLE_TURNS = 2.0
"""An adjustment said to be larger than this [turns] is taken for a slip of the pen."""

_FINEST_QUANTUM_TURNS = 1 / 64


@dataclass(frozen=True)
class StepLimits:
    """Limits of one installation. The defaults are the widest; an owner may only tighten them.

    Parameters
    ----------
    quantum_turns : float
        Smallest screw step, and the unit steps are counted in [turns]; 1/64 to 1/4.
    largest_turns : float
        Largest screw step that may be suggested [turns]; at most `CEILING_TURNS`.
    lean_chance : float
        A step is refused when the chance that it leaves the engine lean of peak at full throttle
        exceeds this; at most 0.05.
    confirm_chance : float
        A stage is confirmed when its chance of being in band reaches this; at least 0.9.

    Raises
    ------
    OutOfRangeError
        If a limit is wider than the default.
    """

    quantum_turns: float = 0.125
    largest_turns: float = CEILING_TURNS
    lean_chance: float = 0.05
    confirm_chance: float = 0.90

    def __post_init__(self) -> None:
        checks = {
            "quantum_turns": (_FINEST_QUANTUM_TURNS, CEILING_TURNS),
            "largest_turns": (_FINEST_QUANTUM_TURNS, CEILING_TURNS),
            "lean_chance": (0.001, 0.05),
            "confirm_chance": (0.90, 0.999),
        }
        for name, (low, high) in checks.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise OutOfRangeError(
                    f"This limit should be between {low:g} and {high:g}",
                    field=f"limits.{name}",
                    value=value,
                    cure="You can make a limit tighter, but not looser.",
                )
        if self.quantum_turns > self.largest_turns:
            raise OutOfRangeError(
                "The smallest step is larger than the largest step",
                field="limits.quantum_turns",
                value=self.quantum_turns,
                cure=f"Give at most largest_turns = {self.largest_turns:g}.",
            )

    def steps(self) -> tuple[float, ...]:
        """Sizes of the allowed screw steps [turns], smallest first, without sign."""
        count = int(self.largest_turns / self.quantum_turns + 1e-9)
        return tuple(self.quantum_turns * i for i in range(1, count + 1))


def _within(turns: float, limits: StepLimits, what: str) -> None:
    quanta = turns / limits.quantum_turns  # infinite for the largest floats too
    if not math.isfinite(quanta) or round(quanta) == 0 or abs(quanta - round(quanta)) > 1e-9:
        raise StepLimitError(
            f"{what} must be a multiple of {limits.quantum_turns:g} turn, and not zero",
            field="turns",
            value=turns,
            cure=f"Use a multiple of {limits.quantum_turns:g}.",
        )
    if abs(turns) > min(limits.largest_turns, CEILING_TURNS) + 1e-12:
        raise StepLimitError(
            f"{what} may be at most {limits.largest_turns:g} turn",
            field="turns",
            value=turns,
            cure="Make several smaller steps, with a run after each.",
        )


@dataclass(frozen=True)
class ScrewStep:
    """A turn of the needle holder that may be suggested.

    Parameters
    ----------
    turns : float
        Signed: positive moves the needle out (richer), negative in (leaner) [turns].
    limits : StepLimits
        Limits it was built under.

    Raises
    ------
    StepLimitError
        If it is zero, not a multiple of the quantum, or beyond the largest step.
    """

    turns: float
    limits: StepLimits

    def __post_init__(self) -> None:
        _within(self.turns, self.limits, "A turn of the needle holder")


@dataclass(frozen=True)
class IdleStopStep:
    """A turn of the idle stop screw that may be suggested; positive opens the slide (faster) [turns]."""

    turns: float
    limits: StepLimits

    def __post_init__(self) -> None:
        _within(self.turns, self.limits, "A turn of the idle stop screw")


@dataclass(frozen=True)
class Watch:
    """The engine's own limits that its owner gave, to be watched in every run; None: not watched.

    Parameters
    ----------
    cht_kelvin, egt_kelvin : float or None
        Highest cylinder head and exhaust gas temperature [K].
    rpm : float or None
        Highest speed [rpm].
    """

    cht_kelvin: float | None = None
    egt_kelvin: float | None = None
    rpm: float | None = None
