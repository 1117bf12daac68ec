"""Results as tables of pandas: the answer from run to run, the sweeps of a logger file, the lines of a benchmark."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from taperwise.api.library.fitting import fit
from taperwise.api.library.log import Log
from taperwise.api.schemas.run import RunIn
from taperwise.api.schemas.units import Units
from taperwise.api.traces.reading import as_document, instruments, read_trace, summary
from taperwise.shared.errors import InvalidValueError

if TYPE_CHECKING:
    from pandas import DataFrame

__all__ = ["bench_frame", "history_frame", "sweeps_frame"]


def history_frame(log: Log, seed: int | None = None) -> "DataFrame":
    """What each run taught, a row a run: stage, chances, and turns to target with the range that holds 9 times in 10.

    Parameters
    ----------
    log : Log
        Fitted once for each of its runs.
    seed : int, optional
        As for `fit`.
    """
    import pandas as pd

    rows = []
    for number, entry in enumerate(log.entries, 1):
        if isinstance(entry, RunIn):
            c = fit(log.until(number), seed).learned.confidence
            turns, misfit = c.offset_turns, c.taper_misfit
            rows.append(
                {
                    "entry": number, "run": c.runs, "stage": c.stage.value,
                    "chance_full_throttle": c.full_throttle.chance_in_band,
                    "chance_idle_mixture": c.idle_mixture.chance_in_band,
                    "chance_idle_speed": c.idle_speed.chance_in_band, "chance_both": c.chance_both,
                    "lean_chance": c.lean_chance, "turns_to_target": turns.median, "turns_low_90": turns.low_90,
                    "turns_high_90": turns.high_90, "taper_misfit": None if misfit is None else misfit.median,
                }
            )  # fmt: skip
    return pd.DataFrame(rows)


def sweeps_frame(path: str | Path, **columns: Any) -> "DataFrame":
    """The sweeps in a logger file, a row each, with what other instruments showed.

    Parameters
    ----------
    columns
        Headings where they cannot be guessed, as `taperwise read-sweep` takes them: ``egt=["EGT 1"]``.

    Raises
    ------
    InvalidValueError
        If the file cannot be read.
    """
    import pandas as pd

    trace = read_trace(Path(path), **columns)
    return pd.json_normalize([as_document(each, instruments(trace, each)) for each in summary(trace, Units())])


def bench_frame(path: str | Path) -> "DataFrame":
    """What benchmarks printed into a file, a row a JSON object; fields of fields get names with dots.

    Raises
    ------
    InvalidValueError
        If the file holds no such line.
    """
    import pandas as pd

    lines = Path(path).read_text(encoding="utf-8").splitlines()
    found = [json.loads(line) for line in lines if line.startswith("{")]
    if not found:
        raise InvalidValueError(
            "no line of this file is a JSON object", field="path", value=Path(path).name,
            cure="Keep what `python -m tests.benchmarks` prints in a file.",
        )  # fmt: skip
    return pd.json_normalize(found)
