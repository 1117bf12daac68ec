"""What idling tells, in words: the five judgements, and the rise of speed on slow leaning."""

from dataclasses import dataclass

from taperwise.shared.runs import IdleQuality

__all__ = ["IDLE_LEVELS", "IdleLevel", "rise_means"]


@dataclass(frozen=True)
class IdleLevel:
    """How one level of the idle judgement shows itself; all of it common practice, no published source."""

    name: str
    looks: str
    sounds: str
    smells: str


IDLE_LEVELS: dict[IdleQuality, IdleLevel] = {
    IdleQuality.LEAN_STUMBLING: IdleLevel(
        "lean and stumbling",
        "speed hunts and sags; the exhaust tips are pale and dry; opening the throttle a little makes it cough",
        "uneven, pops back through the intake, dies when the throttle is closed gently",
        "nothing, or hot metal",
    ),
    IdleQuality.SLIGHTLY_LEAN: IdleLevel(
        "slightly lean",
        "runs, but a small movement of the mixture control towards lean slows it at once",
        "light and quick, now and then a missed beat",
        "little",
    ),
    IdleQuality.SMOOTH: IdleLevel(
        "smooth",
        "steady speed; leaning slowly raises it a little before it falls; it takes the throttle without a stumble",
        "even",
        "a trace of fuel at the most",
    ),
    IdleQuality.SLIGHTLY_RICH: IdleLevel(
        "slightly rich",
        "leaning slowly raises the speed clearly; the exhaust tips are darkening",
        "soft and a little heavy, a slow beat beneath it",
        "fuel, faintly",
    ),
    IdleQuality.RICH_LOADING_UP: IdleLevel(
        "rich, loading up",
        "speed falls away the longer it idles; dark smoke or wet black exhaust tips; it clears its throat when opened",
        "heavy, rolling beat",
        "strong of raw fuel; it stings in the eyes",
    ),
}
"""The five judgements, leanest first."""

_TOO_LITTLE, _ENOUGH, _TOO_MUCH = 5.0, 25.0, 50.0


def rise_means(rpm: float) -> str:
    """What a rise of idle speed on slow leaning means.

    A rise of 25 to 50 rpm is usually satisfactory (FAA-H-8083-32, vol. 1, second-hand); none is lean, more is rich
    (common practice, no published source). The posterior weighs the number itself; these are words beside it.

    Parameters
    ----------
    rpm : float
        The rise [rpm]; 0 where there was none.
    """
    if rpm < _TOO_LITTLE:
        return "No rise of idle speed on slow leaning: the idle is lean already."
    if rpm < _ENOUGH:
        return f"A rise of {rpm:.0f} rpm on slow leaning: at the lean end of what is usually satisfactory (25 to 50)."
    if rpm <= _TOO_MUCH:
        return f"A rise of {rpm:.0f} rpm on slow leaning: what is usually satisfactory (25 to 50)."
    return f"A rise of {rpm:.0f} rpm on slow leaning: rich (25 to 50 is usually satisfactory)."
