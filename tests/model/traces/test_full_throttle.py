"""A record of a whole ground run: only full throttle is read, and what cannot be told apart is refused.

Levels are common practice, no published source: idle at 400 to 550 °C of exhaust, a run-up at 60 to 75 % of the speed.
"""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import lfilter

from taperwise.api.schemas.units import Units
from taperwise.api.traces.columns import Trace
from taperwise.api.traces.reading import summary
from taperwise.model.traces.full_throttle import settled_stretches, without_dropouts
from taperwise.shared.errors import InvalidValueError

_F = NDArray[np.float64]
_IDLE, _RUN_UP, _FULL = 740.0, 950.0, 1000.0  # K
_LAG = 4.0  # s


def _day(rng: np.random.Generator, rich: float, rises: tuple[float, ...], falls: float = 40.0) -> Trace:
    """Idle, run-up, idle, `rich` s of full throttle, leaning past the peak within 60 s, full rich, idle."""
    corners = np.cumsum([0.0, 40.0, 3.0, 30.0, 3.0, 20.0, 2.0, rich, 45.0, 15.0, 3.0, 20.0, 2.0, 60.0])
    t = np.arange(0.0, corners[-1])
    power = [0.0, 0.0, 0.7, 0.7, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0]
    columns = {}
    for i, rise in enumerate(rises):
        top = _FULL + rise
        levels = [_IDLE, _IDLE, _RUN_UP, _RUN_UP, _IDLE, _IDLE, _FULL, _FULL, top, top - falls, _FULL, _FULL, _IDLE]
        gas = np.interp(t, corners, [*levels, _IDLE])
        share = 1.0 - np.exp(-1.0 / _LAG)
        probe = gas[0] + lfilter([share], [1.0, share - 1.0], gas - gas[0])
        columns[f"EGT {i + 1}"] = probe + rng.normal(0.0, 1.0, len(t))
    rpm = 800.0 + 1900.0 * np.interp(t, corners, power) + rng.normal(0.0, 8.0, len(t))
    return Trace(t, columns, channels={"rpm": rpm})


def _after(first: Trace, second: Trace) -> Trace:
    """One file of two records with a pause between them."""

    def both(one: dict[str, _F], other: dict[str, _F]) -> dict[str, _F]:
        return {n: np.concatenate([x, other[n]]) for n, x in one.items()}

    seconds = np.concatenate([first.seconds, second.seconds + 900.0])
    return Trace(
        seconds,
        both(first.egt_kelvin, second.egt_kelvin),
        channels=both(first.channels, second.channels) if second.channels else {},
    )


def test_a_whole_record_is_read_at_full_throttle(rng: np.random.Generator) -> None:
    """With the speed beside it the leaning is found: opening the throttle, 470 °F here, is no rise to peak."""
    rises = (40.0, 55.0, 60.0)
    day = _day(rng, 40.0, rises)
    (sweep,) = summary(day, Units())
    assert sweep.leanest == "EGT 1"
    for reading, rise in zip(sweep.readings.values(), rises, strict=True):
        assert reading.rise_kelvin == pytest.approx(rise, abs=max(3.0 * reading.error_kelvin, 5.0))
        assert 138.0 - 6.0 < reading.start_seconds < 190.0
        assert len(reading.fit) == len(day.seconds)


def test_without_speed_and_pressure_it_is_refused(rng: np.random.Generator) -> None:
    """Nothing then tells a run-up from full throttle; the cure says what to do, and asks for no more leaning."""
    day = _day(rng, 40.0, (40.0, 55.0))
    with pytest.raises(InvalidValueError, match="no steady exhaust temperature at full throttle") as refused:
        summary(Trace(day.seconds, day.egt_kelvin), Units())
    assert "detonation" in refused.value.cure


def test_leaning_right_after_the_throttle_is_refused(rng: np.random.Generator) -> None:
    """The exhaust is still on its way up: no rise can be read of it."""
    with pytest.raises(InvalidValueError, match="no steady exhaust temperature"):
        summary(_day(rng, 2.0, (40.0, 55.0)), Units())


def test_a_lean_engine_in_a_whole_record_is_not_rich(rng: np.random.Generator) -> None:
    """Its exhaust falls as soon as it is leaned; opening the throttle is not taken for a rise."""
    (sweep,) = summary(_day(rng, 40.0, (-10.0, 0.0), falls=60.0), Units())
    assert sweep.readings[sweep.leanest].seen == "fell_at_once"


def test_a_pause_is_not_bridged(rng: np.random.Generator) -> None:
    """Two records in one file are read as each alone, the later one last."""
    first, second = (_day(rng, 40.0, rises) for rises in ((40.0, 50.0), (60.0, 70.0)))
    one, two = summary(_after(first, second), Units())
    for found, alone in ((one, first), (two, second)):
        (only,) = summary(alone, Units())
        for name, reading in only.readings.items():
            assert found.readings[name].rise_kelvin == pytest.approx(reading.rise_kelvin, abs=0.5)


def test_a_later_lean_record_counts(rng: np.random.Generator) -> None:
    """A peak before it does not hide a fall at once: of several sweeps the last one decides."""
    found = summary(_after(_day(rng, 40.0, (40.0, 50.0)), _day(rng, 40.0, (-10.0, 0.0), falls=60.0)), Units())
    assert [each.readings[each.leanest].seen for each in found] == ["peak", "fell_at_once"]


def test_a_record_of_idle_is_no_fall(rng: np.random.Generator) -> None:
    """What cools at idle after a pause is not taken for an engine that is lean at full throttle."""
    t = np.arange(0.0, 90.0)
    leaned = 1000.0 + np.interp(t, [0.0, 30.0, 70.0, 80.0], [0.0, 0.0, 60.0, 30.0]) + rng.normal(0.0, 0.5, 90)
    idle = 780.0 - np.interp(t, [0.0, 30.0, 60.0], [0.0, 0.0, 60.0]) + rng.normal(0.0, 0.5, 90)
    (found,) = summary(_after(Trace(t, {"EGT 1": leaned}), Trace(t, {"EGT 1": idle})), Units())
    assert found.readings["EGT 1"].seen == "peak"


def test_zeros_among_hot_samples_are_gaps(rng: np.random.Generator) -> None:
    """0 °F for a lost contact changes no reading by more than its error; a probe that was never hot stays."""
    day = _day(rng, 40.0, (40.0, 55.0))
    (clean,) = summary(day, Units())
    day.egt_kelvin["EGT 2"][165:168] = 255.37
    (found,) = summary(day, Units())
    assert found.leanest == "EGT 1"
    before, after = (each.readings["EGT 2"] for each in (clean, found))
    assert abs(after.rise_kelvin - before.rise_kelvin) < max(before.error_kelvin, 2.0)
    cold = np.full(50, 290.0)
    assert np.array_equal(without_dropouts(cold), cold)


def test_a_record_of_the_leaning_alone_is_whole() -> None:
    """Nothing is cut where nothing else happened, with the speed, without, or with a dead counter."""
    t = np.arange(0.0, 90.0)
    kelvin = 1000.0 + np.interp(t, [0.0, 30.0, 70.0, 80.0], [0.0, 0.0, 60.0, 30.0])
    for channels in ({}, {"rpm": np.full(90, 2700.0)}, {"rpm": np.zeros(90)}):
        (rows,) = settled_stretches(t, {"EGT 1": kelvin}, channels)
        assert rows.tolist() == list(range(90))


def test_single_wild_samples_do_not_hide_full_throttle() -> None:
    """A tenth of the samples 250 °F too high, one at a time: the record is still whole."""
    t = np.arange(0.0, 60.0)
    kelvin = 1000.0 + np.interp(t, [0.0, 20.0, 50.0, 59.0], [0.0, 0.0, 100.0, 80.0])
    kelvin[5::10] += 140.0
    (rows,) = settled_stretches(t, {"EGT 1": kelvin}, {})
    assert rows.tolist() == list(range(60))
