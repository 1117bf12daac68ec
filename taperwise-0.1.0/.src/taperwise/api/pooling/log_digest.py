"""How a log is recognised, whoever holds it and under whatever number: by what its entries say."""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, NamedTuple

from taperwise.shared.records import Entry
from taperwise.shared.runs import Run

__all__ = ["LogDigest", "log_digest"]

_DIGITS = 6  # the same value typed in another unit differs in the sixteenth


class LogDigest(NamedTuple):
    """What a log is known by.

    Parameters
    ----------
    engine : str
        Digest of the first run: a log that goes on, or goes on in another way, is of the same engine.
    log : str
        Digest of all entries: it changes with every one.
    """

    engine: str
    log: str


def log_digest(entries: Sequence[Entry]) -> LogDigest:
    """Digests of a log in SI: without ids, times, notes and units.

    Raises
    ------
    StopIteration
        If there is no run among the entries.
    """
    first = next(entry for entry in entries if isinstance(entry, Run))
    return LogDigest(_digest([first]), _digest(entries))


def _digest(entries: Sequence[Entry]) -> str:
    said = [[type(entry).__name__, _rounded(asdict(entry))] for entry in entries]
    return hashlib.sha256(json.dumps(said, sort_keys=True, separators=(",", ":")).encode()).hexdigest()


def _rounded(value: Any) -> Any:
    """What was given of it, numbers to so many digits; what was not given is no part of it."""
    if isinstance(value, dict):
        return {name: _rounded(each) for name, each in value.items() if each is not None}
    if isinstance(value, list | tuple):
        return [_rounded(each) for each in value]
    return float(f"{value:.{_DIGITS}g}") if isinstance(value, float) else value
