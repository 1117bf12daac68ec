"""What is to come: needles, readings, runs, and the coldest air."""

from dataclasses import dataclass

__all__ = ["ColdestAir", "NeedleProspect", "ReadingWorth", "RunsToFinish"]


@dataclass(frozen=True)
class NeedleProspect:
    """How good it can get with one needle on hand.

    Parameters
    ----------
    needle : str
    turns_from_mark : float
        Screw position with the best chance that both ends are right [turns].
    chance_both : float
        That chance.
    """

    needle: str
    turns_from_mark: float
    chance_both: float


@dataclass(frozen=True)
class ReadingWorth:
    """What one kind of reading in the next run is worth.

    Parameters
    ----------
    name : str
        Of `taperwise.shared.runs.OBSERVATIONS`, or of a meter.
    usual : bool
        Whether this engine's runs read it.
    runs_saved : float
        By how many runs it is expected to shorten the way; about zero where it may be left out.
    """

    name: str
    usual: bool
    runs_saved: float


@dataclass(frozen=True)
class RunsToFinish:
    """How many more runs a tuning is expected to take, the next one included, until the service has nothing to suggest.

    Parameters
    ----------
    expected : float
    low_80, high_80 : int
        Between which the number lies 8 times in 10.
    """

    expected: float
    low_80: int
    high_80: int


@dataclass(frozen=True)
class ColdestAir:
    """Full throttle as it stands, and what the coldest air to come asks of it today.

    Parameters
    ----------
    temperature_kelvin : float
        Of that air.
    rise_today_kelvin, rise_then_kelvin : float
        EGT rise to peak at the present setting, in today's air and in that air; 0 where it falls at once [K].
    safe_rise_today_kelvin : float
        Rise to peak in today's air at which the chance of running lean of peak then is at the lean limit [K].
    lean_chance : float
        Chance that the present setting runs lean of peak then.
    band_has_room : bool
        Whether the owner's band holds a setting that is safe then.
    """

    temperature_kelvin: float
    rise_today_kelvin: float
    rise_then_kelvin: float
    safe_rise_today_kelvin: float
    lean_chance: float
    band_has_room: bool
