"""Breaks one decision after another in a copy of the checkout, and demands that a quick test sees each break.

``python -m tests.mutations`` runs the whole table, ``--only NAME`` one decision. The last line is one JSON object.
It ends with 1 where a break was not caught, or where the tests fail without any.
"""

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path

from rich.console import Console
from rich.markup import escape
from rich.table import Table

from tests.broken_decisions import DECISIONS, Break, Decision

__all__ = ["NOT_CAUGHT", "CannotBreakError", "Outcome", "broken", "check", "copy_of", "main"]

ROOT = Path(__file__).parents[1]
NOT_CAUGHT = "NOT CAUGHT"
_PACKAGES = (".src", "api", "fixtures", "model", "shared", "tests")
_LEFT_OUT = shutil.ignore_patterns("__pycache__", "*.pyc")
_QUICK = "not slow and not thorough"
_FAILED = re.compile(r"^FAILED (.+?)(?: - .*)?$", re.MULTILINE)


class CannotBreakError(Exception):
    """Raised when the text to change is not found exactly once, or the tests cannot be run."""


@dataclass(frozen=True)
class Outcome:
    """What became of one break: the tests that caught it, one or `NOT_CAUGHT`, and the time of their run [s]."""

    name: str
    file: str
    broken: str
    caught_by: str
    seconds: float


def broken(text: str, change: Break) -> str:
    """The text with the change made.

    Raises
    ------
    CannotBreakError
        If what is to be changed is not there exactly once, or the change leaves all as it was.
    """
    found = text.count(change.old)
    if found != 1 or change.old == change.new:
        wrong = "changes nothing" if change.old == change.new else f"is there {found} times (wanted: once)"
        raise CannotBreakError(
            f"{change.file}: the text {change.old.strip()!r} {wrong}. Correct the break in tests/broken_decisions.py."
        )
    return text.replace(change.old, change.new)


@contextmanager
def copy_of(root: Path) -> Iterator[Path]:
    """A copy of the checkout's packages and settings, gone afterwards; without compiled files, which could be stale."""
    with tempfile.TemporaryDirectory(prefix="mutations-") as folder:
        place = Path(folder) / "copy"
        place.mkdir()
        for name in _PACKAGES:
            shutil.copytree(root / name, place / name, symlinks=True, ignore=_LEFT_OUT)
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
            shutil.copy(root / name, place / name)
        yield place


@contextmanager
def _changed(place: Path, change: Break) -> Iterator[None]:
    file = place / change.file
    before = file.read_text(encoding="utf-8")
    file.write_text(broken(before, change), encoding="utf-8")
    try:
        yield
    finally:
        file.write_text(before, encoding="utf-8")


def _failures(place: Path, tests: Sequence[str]) -> tuple[list[str], float]:
    """Tests of the copy that fail, and how long it took [s]."""
    env = {**os.environ, "PYTHONPATH": f"{place / '.src'}:{place}", "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-n", "0", "-p", "no:cacheprovider", "-m", _QUICK, *tests]
    begun = time.perf_counter()
    done = subprocess.run(command, cwd=place, env=env, capture_output=True, text=True, check=False, timeout=300)
    seconds = round(time.perf_counter() - begun, 1)
    failed = _FAILED.findall(done.stdout)
    if (done.returncode, bool(failed)) not in ((0, False), (1, True)):
        raise CannotBreakError(f"pytest ended with {done.returncode}: {done.stdout[-2000:]}{done.stderr[-2000:]}")
    return failed, seconds


def check(decision: Decision, place: Path) -> list[Outcome]:
    """Run the decision's tests in a copy: unbroken, then with each break in turn.

    Raises
    ------
    CannotBreakError
        If they fail unbroken, or a break cannot be made or tried.
    """
    failed, _ = _failures(place, decision.tests)
    if failed:
        raise CannotBreakError(f"{decision.name}: {failed[0]} fails although nothing is broken. Mend it first.")
    outcomes = []
    for each in decision.breaks:
        with _changed(place, each):
            caught, seconds = _failures(place, decision.tests)
        outcomes.append(Outcome(decision.name, each.file, each.what, caught[0] if caught else NOT_CAUGHT, seconds))
    return outcomes


def _table(outcomes: Sequence[Outcome]) -> Table:
    table = Table("decision", "file", "what was broken", "caught by", "s")
    for each in outcomes:
        path, _, test = each.caught_by.partition("::")
        caught = f"{Path(path).name}::{test}" if test else path
        table.add_row(each.name, each.file, each.broken, escape(caught), f"{each.seconds:.1f}")
    return table


def main(arguments: Sequence[str] | None = None) -> int:
    """The command; 0 where every break was caught."""
    parser = argparse.ArgumentParser(prog="python -m tests.mutations", description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--only", choices=[each.name for each in DECISIONS], help="try one decision (default: all)")
    wanted = parser.parse_args(arguments).only
    begun, outcomes = time.perf_counter(), list[Outcome]()
    try:
        with copy_of(ROOT) as place:
            for decision in DECISIONS:
                if wanted in (None, decision.name):
                    outcomes += check(decision, place)
    except CannotBreakError as error:
        print(error, file=sys.stderr)
        return 2
    missed = sum(each.caught_by == NOT_CAUGHT for each in outcomes)
    Console(width=None if sys.stdout.isatty() else 200).print(_table(outcomes))
    said = {"breaks": len(outcomes), "not_caught": missed, "seconds": round(time.perf_counter() - begun, 1)}
    print(json.dumps(said | {"outcomes": [asdict(each) for each in outcomes]}))
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main())
