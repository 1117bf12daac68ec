"""The check that decisions cannot turn unnoticed, checked itself."""

import subprocess
import sys
from pathlib import Path

import pytest

from tests.broken_decisions import DECISIONS, Break, Decision
from tests.mutations import NOT_CAUGHT, ROOT, CannotBreakError, broken, check, copy_of

_BREAKS = [each for decision in DECISIONS for each in decision.breaks]


@pytest.mark.parametrize("change", _BREAKS, ids=lambda each: each.what)
def test_every_break_can_be_made(change: Break) -> None:
    """Its text stands in the checkout exactly once, and what comes of it is still Python."""
    text = broken((ROOT / change.file).read_text(encoding="utf-8"), change)
    compile(text, change.file, "exec")


def test_there_are_twelve_decisions_and_their_tests() -> None:
    """Each has a name of its own, and its tests are there."""
    assert len({each.name for each in DECISIONS}) == len(DECISIONS) == 12
    for path in {test.partition("::")[0] for decision in DECISIONS for test in decision.tests}:
        assert (ROOT / path).is_file(), path


@pytest.mark.parametrize(
    ("old", "words"),
    [("def steps", "changes nothing"), ("no such text", "0 times .wanted: once"), ("self", "wanted: once")],
    ids=["same", "absent", "many"],
)
def test_a_break_that_cannot_be_made_is_told(old: str, words: str) -> None:
    """What is missing, ambiguous or no change at all ends the check instead of passing it."""
    change = Break("", "shared/limits.py", old, "def steps")
    with pytest.raises(CannotBreakError, match=words):
        broken((ROOT / change.file).read_text(encoding="utf-8"), change)


def test_caught_and_not_caught_are_told_apart(tmp_path: Path) -> None:
    """A harmless change passes the tests and is called not caught; a wrong one names its test; the checkout stays."""
    file = "shared/limits.py"
    before = (ROOT / file).read_bytes()
    harmless = Break("a word", file, '"""The one table of limits.', '"""The only table of limits.')
    wrong = Break("the ceiling", file, "CEILING_TURNS = 0.25\n", "CEILING_TURNS = 0.5\n")
    with copy_of(ROOT) as place:
        found = check(Decision("limits", ("tests/shared/test_limits.py",), (harmless, wrong)), place)
        assert (place / file).read_bytes() == before
    assert found[0].caught_by == NOT_CAUGHT
    assert found[1].caught_by.startswith("tests/shared/test_limits.py::test_")
    assert (ROOT / file).read_bytes() == before


def test_tests_that_fail_unbroken_end_the_check() -> None:
    """Else every break would count as caught."""
    with copy_of(ROOT) as place:
        (place / "tests" / "test_wrong.py").write_text("def test_wrong():\n    assert False\n")
        with pytest.raises(CannotBreakError, match="although nothing is broken"):
            check(Decision("wrong", ("tests/test_wrong.py",), ()), place)
        with pytest.raises(CannotBreakError, match="pytest ended with 4"):
            check(Decision("absent", ("tests/test_absent.py",), ()), place)


@pytest.mark.slow
@pytest.mark.thorough
@pytest.mark.parametrize("name", [decision.name for decision in DECISIONS])
def test_a_broken_decision_is_seen(name: str) -> None:
    """By a quick test, however it is broken; ``python -m tests.mutations`` prints the whole table."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.mutations", "--only", name],
        cwd=ROOT, capture_output=True, text=True, check=False, timeout=600,
    )  # fmt: skip
    assert done.returncode == 0, f"{name}: {done.stdout[-3000:]}{done.stderr[-3000:]}"
