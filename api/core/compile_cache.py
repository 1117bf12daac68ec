"""Keeps compiled code between starts. `use` must run before anything imports PyTensor or numba."""

import hashlib
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from tempfile import NamedTemporaryFile

from filelock import FileLock, Timeout

from taperwise import shared
from taperwise.model import inference, physics
from taperwise.shared.errors import InvalidValueError

__all__ = ["SamplerShelf", "use"]

_PLACES = ("compiledir", "generated_src_dir")  # flags that say where files go: they change nothing in what is compiled
_KEPT = 3  # of other versions, other machines that share the folder, and this one


def use(folder: Path) -> None:
    """Point the compilers at a folder of ours, unless the environment already says otherwise.

    Parameters
    ----------
    folder : Path
        Made if it is missing.

    Raises
    ------
    InvalidValueError
        If it cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InvalidValueError(
            f"This folder cannot be made: {error.strerror}", field="cache_folder", value=folder,
            cure="Set TAPERWISE_CACHE_FOLDER to one you may write to.",
        ) from None  # fmt: skip
    os.environ.setdefault("NUMBA_CACHE_DIR", str(folder / "numba"))
    flags = os.environ.get("PYTENSOR_FLAGS", "")
    if "compiledir" not in flags:
        # the sources too: without a folder they are left one by one where temporary files go
        ours = f"base_compiledir={folder / 'pytensor'},generated_src_dir={folder / 'sources'}"
        os.environ["PYTENSOR_FLAGS"] = f"{flags},{ours}" if flags else ours


@dataclass(frozen=True)
class SamplerShelf:
    """The compiled sampler as a file, found again by the same code, libraries and processor alone.

    Parameters
    ----------
    folder : Path
        The cache folder; whoever may write to it decides what is run.
    """

    folder: Path

    def get(self) -> bytes | None:
        """What was put, unless it is damaged."""
        try:
            seal, code = self._file.read_bytes().split(b"\n", 1)
        except (OSError, ValueError):
            return None
        return code if seal == _seal(code) else None

    def put(self, code: bytes) -> None:
        """Keep it, all or nothing.

        Raises
        ------
        OSError
            If the folder cannot be written to, or is full; nothing is left behind.
        """
        file = self._file
        file.parent.mkdir(parents=True, exist_ok=True)
        with NamedTemporaryFile(dir=file.parent, suffix=".new", delete=False) as new:
            unfinished = Path(new.name)
            try:
                new.write(_seal(code) + b"\n" + code)
                new.flush()
                unfinished.replace(file)
            finally:
                unfinished.unlink(missing_ok=True)
        others = sorted(file.parent.glob("*.code"), key=lambda path: path.stat().st_mtime, reverse=True)
        for old in others[_KEPT:]:
            old.unlink(missing_ok=True)

    @contextmanager
    def alone(self, progress: Callable[[str], None]) -> Iterator[None]:
        """One process at a time; where the folder takes no lock, as many as like.

        Parameters
        ----------
        progress : callable
            Told where another process is before it.
        """
        folder = self.folder / "sampler"
        lock = FileLock(folder / "compiling.lock")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            try:
                lock.acquire(timeout=0)
            except Timeout:
                progress("Another process is preparing the model. Waiting for it")
                lock.acquire()
        except (OSError, NotImplementedError):
            yield
            return
        try:
            yield
        finally:
            lock.release()

    @property
    def _file(self) -> Path:
        digest = hashlib.sha256()
        for part in _what_it_depends_on():
            digest.update(part.encode() + b"\0")
        return self.folder / "sampler" / f"{digest.hexdigest()[:32]}.code"


def _seal(code: bytes) -> bytes:
    return hashlib.sha256(code).hexdigest().encode()


def _what_it_depends_on() -> Iterator[str]:
    """All that decides what is compiled: our formulas, the libraries, what they are told, and the processor."""
    import llvmlite.binding as llvm  # only whoever compiles needs it

    for package in (shared, physics, inference):  # what the graph is written in, held by the import contracts
        for place in package.__path__:
            for file in sorted(Path(place).glob("*.py")):
                yield file.read_text(encoding="utf-8")
    for library in ("pymc", "pytensor", "nutpie", "numba", "llvmlite", "numpy"):
        yield version(library)
    yield sys.version
    yield llvm.get_host_cpu_name()
    yield llvm.get_host_cpu_features().flatten()
    for name, value in sorted(os.environ.items()):
        if name.startswith("NUMBA_") and name != "NUMBA_CACHE_DIR":
            yield f"{name}={value}"
    flags = os.environ.get("PYTENSOR_FLAGS", "").split(",")
    yield ",".join(flag for flag in flags if not any(place in flag for place in _PLACES))
