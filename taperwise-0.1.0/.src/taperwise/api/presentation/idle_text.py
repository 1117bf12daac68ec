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
        "Speed hunts and sags. The exhaust tips are pale and dry. A little throttle makes the engine cough.",
        "Uneven. Pops back through the intake. Dies when you close the throttle gently.",
        "Nothing, or hot metal.",
    ),
    IdleQuality.SLIGHTLY_LEAN: IdleLevel(
        "slightly lean",
        "The engine runs, but a little leaning with the mixture control slows the idle at once.",
        "Light and quick, with a missed beat now and then.",
        "Little.",
    ),
    IdleQuality.SMOOTH: IdleLevel(
        "smooth",
        "Speed is steady. Slow leaning raises the speed a little before it falls. The throttle opens without a "
        "stumble.",
        "Even.",
        "A trace of fuel at most.",
    ),
    IdleQuality.SLIGHTLY_RICH: IdleLevel(
        "slightly rich",
        "Slow leaning clearly raises the speed. The exhaust tips turn dark.",
        "Soft and a little heavy, with a slow beat beneath.",
        "Fuel, faintly.",
    ),
    IdleQuality.RICH_LOADING_UP: IdleLevel(
        "rich, loading up",
        "Speed falls the longer the engine idles. You see dark smoke or wet black exhaust tips. Opening the throttle "
        "clears the engine.",
        "A heavy, rolling beat.",
        "Strong, of raw fuel that stings in the eyes.",
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
    read = f"A rise of {rpm:.0f} rpm on slow leaning is"
    if rpm > high:
        return f"{read} above your target range, which ends at {high:.0f} rpm: the idle is rich."
    if rpm < low:
        return f"{read} below your target range of {low:.0f} to {high:.0f} rpm: the idle is lean."
    if rpm < _NONE:
        return "No rise of idle speed on slow leaning: the idle is at its best or leaner."
    return f"{read} within your target range, which ends at {high:.0f} rpm."
