"""The sampler draws the same wherever its code came from, and never takes the process with it."""

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from taperwise.api.core.compile_cache import SamplerShelf
from taperwise.model.inference import sampler
from taperwise.model.inference.compiled_logp import StaleCodeError, compiled, from_bytes
from taperwise.model.inference.data_packing import data_of
from taperwise.model.inference.dataset import gather
from taperwise.model.inference.sampler import FIRST_TRY, Sampler
from taperwise.model.physics.priors import ROUGH_RISE_KELVIN
from taperwise.model.recommender import Recommender
from taperwise.shared.errors import NotConvergedError
from taperwise.shared.records import Entry, Installation, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, IdleQuality, RiseSeen, Run

_ROOT = Path(__file__).parents[3]
_RUN = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 50.0))

_AIR = Air(291.15, 99_300.0, 0.4)
_ACROSS = (
    # rise [K], None where it was rough before a peak; idle; rise of idle speed, static and idle speed [rpm]
    (None, IdleQuality.SMOOTH, 3.0, 2640.0, 680.0),
    (None, IdleQuality.LEAN_STUMBLING, 0.0, 2645.0, 660.0),
    (221.0, IdleQuality.LEAN_STUMBLING, 0.0, 2685.0, 550.0),
    (199.0, IdleQuality.LEAN_STUMBLING, 0.0, 2740.0, 470.0),
    (186.0, IdleQuality.LEAN_STUMBLING, 0.0, 2770.0, 385.0),
    (177.0, IdleQuality.LEAN_STUMBLING, 0.0, 2800.0, 340.0),
    (129.0, IdleQuality.LEAN_STUMBLING, 0.0, 2855.0, 285.0),
    (133.0, IdleQuality.LEAN_STUMBLING, 0.0, 2845.0, 290.0),
    (121.0, IdleQuality.LEAN_STUMBLING, 0.0, 2870.0, 255.0),
    (101.0, IdleQuality.LEAN_STUMBLING, 0.0, 2875.0, 265.0),
    (94.0, IdleQuality.LEAN_STUMBLING, 0.0, 2895.0, 295.0),
    (88.0, IdleQuality.LEAN_STUMBLING, 0.0, 2910.0, 270.0),
)
"""Twelve runs on which the screw goes in by 2 1/4 turns, until the idle runs near the start of taper; invented."""

_ELSEWHERE = """
import sys
from taperwise.api.recommendations.factory import make_recommender
adviser = make_recommender()
adviser.prepare()
loaded = "pymc" in sys.modules
from taperwise.model.inference.dataset import gather
from taperwise.model.inference.sampler import FIRST_TRY
from taperwise.shared.records import Installation
from taperwise.shared.runs import Air, ExhaustRise, RiseSeen, Run
from tests.conftest import NEEDLES
run = Run(Air(288.15, 101_325.0), rise=ExhaustRise(RiseSeen.PEAK, 50.0))
drawn = adviser.sampler.fit_once(gather(Installation(NEEDLES, "taper 30.0"), [run]), 1, FIRST_TRY)
print(loaded, drawn.unknowns.offset.tobytes().hex())
"""


class _Box:
    """A shelf of one place."""

    def __init__(self, code: bytes | None = None) -> None:
        self.code = code

    def get(self) -> bytes | None:
        return self.code

    def put(self, code: bytes) -> None:
        self.code = code

    @contextmanager
    def alone(self, progress: Callable[[str], None]) -> Iterator[None]:
        yield


class _CompiledMeanwhile(_Box):
    """A shelf on which another process has put something by the time it is one's turn."""

    def __init__(self, code: bytes) -> None:
        super().__init__()
        self._coming = code

    @contextmanager
    def alone(self, progress: Callable[[str], None]) -> Iterator[None]:
        progress("waiting")
        self.code = self._coming
        yield


class _Full(_Box):
    """A shelf on which there is no room."""

    def put(self, code: bytes) -> None:
        raise OSError("no space left")


@pytest.fixture(scope="session")
def kept(recommender: Recommender) -> bytes:
    """The compiled sampler as it is kept; compiled here if the cache folder had it already."""
    box = _Box()
    known = recommender.sampler._shelf
    code = None if known is None else known.get()
    if code is None:
        compiled(box, lambda _: None)
        code = box.code
    assert code is not None
    return code


def _drawn_elsewhere(folder: Path, hash_seed: str = "1") -> tuple[bool, np.ndarray]:
    """Whether another process loaded PyMC, and what it drew; its cache is in the folder, and its temporary files."""
    bare = {k: v for k, v in os.environ.items() if k not in ("PYTENSOR_FLAGS", "NUMBA_CACHE_DIR")}
    passing = folder / "passing"
    passing.mkdir(exist_ok=True)
    own = {"PYTHONHASHSEED": hash_seed, "TAPERWISE_CACHE_FOLDER": str(folder), "TMPDIR": str(passing)}
    command = [sys.executable, "-c", _ELSEWHERE]
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=bare | own, cwd=_ROOT)
    assert list(passing.iterdir()) == []
    loaded, drawn = done.stdout.split()[-2:]
    return loaded == "True", np.frombuffer(bytes.fromhex(drawn))


def test_draws_are_the_same_in_another_process(
    recommender: Recommender, kept: bytes, installation: Installation, tmp_path: Path
) -> None:
    """Same evidence and seed, same draws to the last bit, from what is kept, where PyMC is not even loaded."""
    here = recommender.sampler.fit_once(gather(installation, [_RUN]), 1, FIRST_TRY).unknowns.offset
    SamplerShelf(tmp_path).put(kept)
    loaded, drawn = _drawn_elsewhere(tmp_path, "2")
    assert not loaded
    np.testing.assert_array_equal(drawn, here.ravel())


@pytest.mark.slow
@pytest.mark.thorough
def test_draws_are_the_same_compiled_anew(recommender: Recommender, installation: Installation, tmp_path: Path) -> None:
    """The same where another process compiles it; where temporary files go, nothing is left."""
    here = recommender.sampler.fit_once(gather(installation, [_RUN]), 1, FIRST_TRY).unknowns.offset
    loaded, drawn = _drawn_elsewhere(tmp_path)
    assert loaded
    np.testing.assert_array_equal(drawn, here.ravel())
    assert list((tmp_path / "sources").iterdir())


def test_what_is_kept_is_taken_up(kept: bytes, installation: Installation, recommender: Recommender) -> None:
    """It draws what the compiled one draws, and says that nothing was compiled."""
    told: list[str] = []
    sampler = Sampler(shelf=_Box(kept))
    sampler.compile(told.append)
    assert told == ["loading the model from the cache", "sampler ready"]
    evidence = gather(installation, [_RUN] * 3)
    drawn, there = (s.fit_once(evidence, 5, FIRST_TRY) for s in (sampler, recommender.sampler))
    for name in ("offset", "ln_full", "first"):
        np.testing.assert_array_equal(getattr(drawn.unknowns, name), getattr(there.unknowns, name))
    assert drawn.diagnostics == there.diagnostics


def test_what_another_process_compiled_meanwhile_is_taken_up(kept: bytes) -> None:
    """Whoever waited compiles nothing."""
    told: list[str] = []
    Sampler(shelf=_CompiledMeanwhile(kept)).compile(told.append)
    assert told == ["waiting", "loading the model from the cache", "sampler ready"]


def _another_format(document: dict[str, Any]) -> None:
    document["format"] += 1


def _a_name_nobody_has(document: dict[str, Any]) -> None:
    document["code"][0]["needs"].append("no_such_function")


def _another_entry(document: dict[str, Any]) -> None:
    document["code"][1]["entry"] = "elsewhere"


def _another_result(document: dict[str, Any]) -> None:
    document["probe"][0] = (float.fromhex(document["probe"][0]) * (1.0 + 2.0**-52)).hex()


def _other_data(document: dict[str, Any]) -> None:
    (data,) = (each for each in document["data"] if each["name"] == "readings")
    data["value"] = [[*row, *row] for row in data["value"]]  # more runs than there are settings


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        (_another_format, "format 3, not 2"),
        (_a_name_nobody_has, "no_such_function not in this process"),
        (_another_entry, "no elsewhere in it"),
        (_another_result, "another result at the point that was tried"),
        (_other_data, "it fails at the point that is tried"),
    ],
)
def test_what_does_not_do_here_is_told(kept: bytes, spoil: Callable[[dict[str, Any]], None], told: str) -> None:
    """Not run, not believed: the reason says what is not as it was."""
    document = json.loads(kept)
    spoil(document)
    with pytest.raises(StaleCodeError, match=told):
        from_bytes(json.dumps(document).encode())


def test_stale_code_is_compiled_anew(kept: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    """And what was compiled takes its place; where it cannot be kept, that is told and the sampler is there all the
    same.
    """
    document = json.loads(kept)
    _another_format(document)
    good = from_bytes(kept)
    monkeypatch.setattr("taperwise.model.inference.compiled_logp._compile", lambda _: good)
    told: list[str] = []
    box = _Box(json.dumps(document).encode())
    assert compiled(box, told.append) is good
    assert told[1] == "not as it was (format 3, not 2). The model is compiled again"
    assert "could not be saved" in told[2]  # loaded code has no library to take it from
    monkeypatch.setattr("taperwise.model.inference.compiled_logp.to_bytes", lambda _: b"new")
    full = _Full(json.dumps(document).encode())
    assert compiled(full, told.append) is good
    assert told[-1].endswith("could not be saved for the next start (no space left)")
    assert compiled(box, told.append) is good
    assert box.code == b"new"


def test_a_breakdown_of_the_compiled_part_is_an_error_of_ours(
    recommender: Recommender, installation: Installation, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Readings of another length than their settings break it: an ordinary error, and the next fit is as ever."""
    evidence = gather(installation, [_RUN])
    before = recommender.sampler.fit_once(evidence, 1, FIRST_TRY)
    two, three = (data_of(gather(installation, [_RUN] * n)) for n in (2, 3))
    with monkeypatch.context() as m:
        m.setattr("taperwise.model.inference.sampler.data_of", lambda _: {**two, "readings": three["readings"]})
        with pytest.raises(NotConvergedError, match="no reliable result"):
            recommender.sampler.fit(evidence, 1)
    after = recommender.sampler.fit_once(evidence, 1, FIRST_TRY)
    np.testing.assert_array_equal(after.unknowns.offset, before.unknowns.offset)


def _across() -> list[Entry]:
    log: list[Entry] = []
    for i, (kelvin, idle, idle_rise, static, speed) in enumerate(_ACROSS):
        seen = RiseSeen.ROUGH_BEFORE_PEAK if kelvin is None else RiseSeen.PEAK
        rise = ExhaustRise(seen, ROUGH_RISE_KELVIN if kelvin is None else kelvin)
        log += [TurnScrew(-0.25 if i < 7 else -0.125)] if i else []
        log.append(Run(_AIR, rise, idle, idle_rise, static, speed))
    return log


@pytest.mark.parametrize("seed", [1, 2])
def test_a_log_that_runs_into_the_start_of_taper_mixes(
    recommender: Recommender, installation: Installation, seed: int
) -> None:
    """What the idle says of the offset bends there; seen from its end such a log left an effective size near 150."""
    drawn = recommender.sampler.fit_once(gather(installation, _across()), seed, {**FIRST_TRY, "draws": 1000})
    assert drawn.diagnostics.converged


@pytest.mark.slow
def test_a_second_try_that_takes_too_many_gradients_is_given_up(
    recommender: Recommender, installation: Installation, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The draws of the first try stay, not converged, whether that is noticed on the way or at the end."""
    evidence = gather(
        installation,
        [
            replace(_RUN, rise=ExhaustRise(RiseSeen.FELL_AT_ONCE), idle_quality=IdleQuality.RICH_LOADING_UP),
            replace(_RUN, rise=ExhaustRise(RiseSeen.PEAK, 200.0), idle_quality=IdleQuality.LEAN_STUMBLING),
        ]
        * 5,
    )
    first = recommender.sampler.fit_once(evidence, 20_260_101, FIRST_TRY)
    assert not first.diagnostics.converged
    monkeypatch.setattr("taperwise.model.inference.sampler.MOST_GRADIENTS", 50_000)
    started = sampler._started
    for unseen in (False, True):
        if unseen:
            monkeypatch.setattr(sampler, "_started", lambda *args: started(*args[:4]))
        drawn = recommender.sampler.fit(evidence, 20_260_101)
        np.testing.assert_array_equal(drawn.unknowns.offset, first.unknowns.offset)
        assert drawn.diagnostics == replace(first.diagnostics, refits=1)
