"""Work of a bench shared out over processes, each result kept as it comes: a stopped bench goes on from there."""

import json
import math
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated, Any

import typer

__all__ = ["Keep", "compiled_before", "finite", "quietly", "shared_out"]

Keep = Annotated[
    Path | None,
    typer.Option("--keep", help="File that keeps each result as it comes; what it holds already is not done again."),
]
"""The option of every bench that may be stopped and gone on with."""


def finite(value: float) -> float:
    """An option's value, as its callback: a bound alone lets through what is no number.

    Raises
    ------
    typer.BadParameter
        If it is none.
    """
    if not math.isfinite(value):
        raise typer.BadParameter(f"{value} is no number; give one like 1.0.")
    return value


def quietly() -> None:
    """One thread a worker: the cores are shared out by engines."""
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")


def compiled_before() -> None:
    """What was compiled in an earlier process is found by this one."""
    from taperwise.api.core import compile_cache
    from taperwise.api.core.settings import Settings

    compile_cache.use(Settings().cache_folder)


def shared_out[R](
    one: Callable[..., R], work: Sequence[tuple[Any, ...]], jobs: int, keep: Path | None = None
) -> Iterator[R]:
    """Results of ``one(*each)`` for each piece of work, in the order in which they come.

    Parameters
    ----------
    one : callable
        Of a module, with a dataclass as its annotated result.
    jobs : int
        Processes at a time.
    keep : Path, optional
        A line of JSON for each result; lines of other work or of another version of the model are left alone.
    """
    from pydantic import TypeAdapter

    from taperwise.model import MODEL_VERSION

    def key(each: tuple[Any, ...]) -> str:
        return json.dumps([f"{one.__module__}.{one.__name__}", MODEL_VERSION, *each])

    result: TypeAdapter[R] = TypeAdapter(one.__annotations__["return"])
    kept = _read(keep)
    yield from (result.validate_python(kept[key(each)]) for each in work if key(each) in kept)
    with ProcessPoolExecutor(jobs, mp_context=get_context("spawn"), initializer=quietly) as pool:
        left = {pool.submit(one, *each): key(each) for each in work if key(each) not in kept}
        try:
            for future in as_completed(left):
                _append(keep, left[future], result.dump_python(future.result(), mode="json"))
                yield future.result()
        finally:
            pool.shutdown(cancel_futures=True)


def _read(keep: Path | None) -> dict[str, Any]:
    """What is kept so far; a last line that was cut off on its way is dropped, to be done again."""
    from taperwise.shared.errors import InvalidValueError

    if keep is None:
        return {}
    try:  # now rather than when the first result comes
        keep.open("ab").close()
    except OSError as error:
        raise InvalidValueError(
            f"it cannot be written: {error.strerror}", field="--keep", value=str(keep), cure="Name another file."
        ) from error
    whole, _, cut = keep.read_bytes().rpartition(b"\n")
    try:
        kept = dict(map(json.loads, whole.splitlines()))
    except (ValueError, TypeError) as error:
        raise InvalidValueError(
            "not a file of kept results", field="--keep", value=str(keep), cure="Name a new file."
        ) from error
    if cut:
        keep.write_bytes(whole + b"\n" if whole else b"")
    return kept


def _append(keep: Path | None, key: str, result: Any) -> None:
    if keep is not None:
        with keep.open("a", encoding="utf-8") as file:
            file.write(json.dumps([key, result]) + "\n")
