"""Needles that are known by their order alone, in words: a place in the row, and steps instead of a slope."""

from taperwise.api.presentation.digits import number
from taperwise.api.presentation.formatting import quantity
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.recommendation import ConfidenceOut
from taperwise.shared.reasons import IdealSteps

__all__ = ["better_needle", "ideal_steps", "needle_words", "spacing_words", "steps_words"]

_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def steps_words(low: float, high: float) -> str:
    """A range of steps along the row, the shallower end first, to whole steps: "one to two steps steeper"."""
    first, last = round(low), round(high)
    if first == last == 0:
        return "no step away"
    if first < 0 < last:
        return f"{_steps(first)} shallower to {_steps(last)} steeper"
    near, far = sorted((abs(first), abs(last)))
    way = "steeper" if first + last > 0 else "shallower"
    if near == 0:
        return f"up to {_steps(far)} {way}"
    return f"{_steps(far)} {way}" if near == far else f"{_number(near)} to {_steps(far)} {way}"


def ideal_steps(steps: IdealSteps) -> str:
    """Where the right needle would stand, as a part of a sentence: about, the range, and from where it is counted."""
    low, high = steps.low_90, steps.high_90
    place = f"your {steps.fitted}, needle {steps.place} of {steps.of} from the shallowest"
    words = steps_words(low, high)
    found = "about as steep as" if words.startswith("no step") else f"about {words} than"
    if steps.place + steps.median > steps.of + 0.5:
        return f"{found} {place} (beyond your steepest)"
    if steps.place + steps.median < 0.5:
        return f"{found} {place} (beyond your shallowest)"
    return f"{found} {place}"


def better_needle(c: ConfidenceOut) -> str:
    """Steps to the right needle for the card: the middle, and the range that holds nine times in ten."""
    if c.taper_steps is None:
        return "not known"
    (low, high), middle = c.taper_steps.interval_90, c.taper_steps.median
    found = f"about {steps_words(middle, middle)}" if round(middle) else "none: the fitted one is nearest"
    return f"{found} ({_between(low, high)}, 9 times in 10)"


def needle_words(sent: InstallationIn, label: str) -> str:
    """What is known of a needle: its measured slope, or its place in the row."""
    labels = [n.label for n in sent.needles]
    slope = sent.needles[labels.index(label)].taper_slope
    if slope is not None:
        return f"taper slope {quantity(sent.units.put(slope))}"
    return f"{labels.index(label) + 1} of {len(labels)} from the shallowest"


def spacing_words(sent: InstallationIn) -> str:
    """How far needles known by order are apart, as far as the owner told."""
    told = "about 2\u00a0%, corrected by your runs," if sent.needle_step is None else quantity(sent.needle_step)
    return f"{told} from needle to needle"


def _between(low: float, high: float) -> str:
    """The range of steps with ways in words, shallower end first."""
    ends = [f"{number(abs(x), '.1f')} {'steeper' if x > 0 else 'shallower'}" for x in (low, high)]
    if low * high > 0:
        near, far = sorted((abs(low), abs(high)))
        return f"{number(near, '.1f')} to {number(far, '.1f')} steps {'steeper' if high > 0 else 'shallower'}"
    return f"{ends[0]} to {ends[1]}"


def _number(count: int) -> str:
    return _NUMBERS[count] if count < len(_NUMBERS) else str(count)


def _steps(count: int) -> str:
    return f"{_number(abs(count))} {'step' if abs(count) == 1 else 'steps'}"
