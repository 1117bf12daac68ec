"""The words for idling."""

import pytest

from taperwise.api.presentation.idle_text import IDLE_LEVELS, rise_means
from taperwise.shared.records import Targets


@pytest.mark.parametrize(("rpm", "words"), [(0, "or leaner"), (40, "within"), (80, "rich")])
def test_the_rise_of_idle_speed_in_words(rpm: float, words: str) -> None:
    """The owner's band decides, in words as in the answer; up to 50 rpm by default, more is rich (common practice, no
    published source; FAA-H-8083-32 vol. 1, second-hand, calls 25 to 50 rpm usually satisfactory).
    """
    assert words in rise_means(rpm, Targets().idle_rise_rpm)


def test_a_band_of_ones_own() -> None:
    """What is rich by default is right where the owner says so, and too little of it is lean."""
    assert "within" in rise_means(80.0, (30.0, 100.0))
    assert "lean" in rise_means(20.0, (30.0, 100.0))


def test_every_idle_level_is_described() -> None:
    """Looks, sounds and smells of all five."""
    assert [q.value for q in IDLE_LEVELS] == [1, 2, 3, 4, 5]
    assert all(w.looks and w.sounds and w.smells for w in IDLE_LEVELS.values())
