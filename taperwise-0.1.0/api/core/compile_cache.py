"""Keeps compiled code between starts. `use` must run before anything imports PyTensor or numba."""

import atexit
import hashlib
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from tempfile import NamedTemporaryFile, TemporaryFile, mkdtemp

import structlog
from filelock import FileLock, Timeout

from taperwise import shared
from taperwise.model import inference, physics

__all__ = ["SamplerShelf", "notice", "use"]

_PLACES = ("compiledir", "generated_src_dir")  # flags that say where files go: they change nothing in what is compiled
_PARTS = ("numba", "pytensor", "sources", "sampler")
_VARIABLE = "TAPERWISE_CACHE_FOLDER"
_NOTICE = (
    "The cache folder {folder} cannot be written to ({reason}). The model is compiled into a temporary folder, and "
    "again at every start. Set TAPERWISE_CACHE_FOLDER to a folder that this service may write to."
)
_notices: list[str] = []
_log = structlog.get_logger("taperwise")
_KEPT = 3  # of other versions, other machines that share the folder, and this one


def use(folder: Path) -> Path:
    """Point the compilers at a folder of ours, unless the environment already says otherwise.

    Where nothing can be written to the folder, a temporary one is used, also by child processes. It is gone when this
    process ends, so the next start compiles again; `notice` says so.

    Parameters
    ----------
    folder : Path
        Made if it is missing.

    Returns
    -------
    Path
        The folder in use.
    """
    try:
        _try_to_write(folder)
    except OSError as error:
        _notices[:] = [_NOTICE.format(folder=folder, reason=error.strerror or type(error).__name__)]
        _log.warning("cache_folder_cannot_be_written", folder=str(folder), reason=error.strerror)
        folder = Path(mkdtemp(prefix="taperwise-cache-"))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
        os.environ[_VARIABLE] = str(folder)  # where child processes, and the settings read after this, find it
        for part in _PARTS:
            (folder / part).mkdir()
    os.environ.setdefault("NUMBA_CACHE_DIR", str(folder / "numba"))
    flags = os.environ.get("PYTENSOR_FLAGS", "")
    if "compiledir" not in flags:
        # the sources too: without a folder they are left one by one where temporary files go
        ours = f"base_compiledir={folder / 'pytensor'},generated_src_dir={folder / 'sources'}"
        os.environ["PYTENSOR_FLAGS"] = f"{flags},{ours}" if flags else ours
    return folder


def notice() -> str:
    """What keeps compiled code from lasting, and the cure; empty if nothing does."""
    return "".join(_notices)


def _try_to_write(folder: Path) -> None:
    for part in _PARTS:
        place = folder / part
        place.mkdir(parents=True, exist_ok=True)
        with TemporaryFile(dir=place):
            pass


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
