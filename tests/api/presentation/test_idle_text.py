"""The words for idling."""

import pytest

from taperwise.api.presentation.idle_text import IDLE_LEVELS, rise_means


@pytest.mark.parametrize(("rpm", "words"), [(0, "lean"), (15, "lean end"), (40, "satisfactory"), (80, "rich")])
def test_the_rise_of_idle_speed_in_words(rpm: float, words: str) -> None:
    """25 to 50 rpm is usually satisfactory (FAA-H-8083-32 vol. 1, second-hand); none is lean, more is rich (common
    practice, no published source).
    """
    assert words in rise_means(rpm)


def test_every_idle_level_is_described() -> None:
    """Looks, sounds and smells of all five."""
    assert [q.value for q in IDLE_LEVELS] == [1, 2, 3, 4, 5]
    assert all(w.looks and w.sounds and w.smells for w in IDLE_LEVELS.values())
