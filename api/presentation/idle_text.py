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

_NONE = 5.0  # rpm, below which no tachometer shows a rise


def rise_means(rpm: float, band: tuple[float, float]) -> str:
    """What a rise of idle speed on slow leaning means.

    Parameters
    ----------
    rpm : float
        The rise [rpm]; 0 where there was none.
    band : tuple of float
        What the owner calls right [rpm], as the answer does too.
    """
    low, high = band
    if rpm > high:
        return f"A rise of {rpm:.0f} rpm on slow leaning is above your band, which ends at {high:.0f} rpm: rich."
    if rpm < low:
        return f"A rise of {rpm:.0f} rpm on slow leaning is below your band of {low:.0f} to {high:.0f} rpm: lean."
    if rpm < _NONE:
        return "No rise of idle speed on slow leaning: the idle is at its best or leaner."
    return f"A rise of {rpm:.0f} rpm on slow leaning is within your band, which ends at {high:.0f} rpm."
