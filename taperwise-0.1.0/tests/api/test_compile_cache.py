"""Compiled code is found again by what made it alone, unharmed or not at all."""

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from taperwise.api.core.compile_cache import SamplerShelf, use
from tests.api.asking import Client

_ROOT = Path(__file__).parents[2]


def test_put_and_get(tmp_path: Path) -> None:
    """What was put comes back, newlines and all; before, there is nothing; the latest counts."""
    shelf = SamplerShelf(tmp_path / "not yet there")
    assert shelf.get() is None
    for code in (b"one\ntwo\n\x00", b"", b"three"):
        shelf.put(code)
        assert SamplerShelf(tmp_path / "not yet there").get() == code


@pytest.mark.parametrize(
    "harm", [lambda b: b[:-1], lambda b: b + b" ", lambda _: b"", lambda b: b[1:], lambda _: b"\n"]
)
def test_a_damaged_file_counts_as_none(tmp_path: Path, harm: "object") -> None:
    """Cut off, lengthened, emptied: it is not run."""
    assert callable(harm)
    shelf = SamplerShelf(tmp_path)
    shelf.put(b"code")
    (file,) = (tmp_path / "sampler").iterdir()
    file.write_bytes(harm(file.read_bytes()))
    assert shelf.get() is None
    shelf.put(b"code")
    assert shelf.get() == b"code"


def test_other_code_finds_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Another formula, library, flag or processor is another place; the cache folder itself is not."""
    shelf = SamplerShelf(tmp_path)
    shelf.put(b"code")
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path / "elsewhere"))
    monkeypatch.delenv("PYTENSOR_FLAGS")
    use(tmp_path / "elsewhere")
    assert shelf.get() == b"code"
    for change in ("formula", "library", "flag", "told", "processor"):
        with monkeypatch.context() as m:
            if change == "formula":
                other = tmp_path / "engine"
                other.mkdir()
                for file in (_ROOT / "model/physics").glob("*.py"):
                    text = file.read_text(encoding="utf-8")
                    (other / file.name).write_text(text + "\n# another\n" if file.name == "idle.py" else text, "utf-8")
                m.setattr("taperwise.model.physics.__path__", [str(other)])
            elif change == "library":
                m.setattr("taperwise.api.core.compile_cache.version", lambda name: f"{name} of tomorrow")
            elif change == "flag":
                m.setenv("NUMBA_OPT", "1")
            elif change == "told":
                m.setenv("PYTENSOR_FLAGS", "floatX=float32")
            else:
                m.setattr("llvmlite.binding.get_host_cpu_name", lambda: "another")
            assert shelf.get() is None, change
    assert shelf.get() == b"code"


def test_few_are_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder does not fill up with what nobody will ask for again."""
    for level in "01234":
        monkeypatch.setenv("NUMBA_OPT", level)
        SamplerShelf(tmp_path).put(level.encode())
    assert len(list((tmp_path / "sampler").iterdir())) == 3
    assert SamplerShelf(tmp_path).get() == b"4"


def test_where_nothing_can_be_written_nothing_is_lost(tmp_path: Path) -> None:
    """A file in the folder's place, or in the file's: that is said, and nothing unfinished stays."""
    (tmp_path / "sampler").write_text("in the way", encoding="utf-8")
    with pytest.raises(OSError, match="sampler"):
        SamplerShelf(tmp_path).put(b"code")
    assert SamplerShelf(tmp_path).get() is None
    shelf = SamplerShelf(tmp_path / "there")
    shelf._file.mkdir(parents=True)
    with pytest.raises(OSError, match=r"\.new"):
        shelf.put(b"code")
    assert shelf.get() is None
    assert [path.name for path in shelf._file.parent.iterdir()] == [shelf._file.name]


_HOLDS = """
import sys
from pathlib import Path
from taperwise.api.core.compile_cache import SamplerShelf
with SamplerShelf(Path(sys.argv[1])).alone(print):
    print("in", flush=True)
    sys.stdin.readline()
"""


@pytest.mark.parametrize("ends", ["it is done", "it is killed"])
def test_others_wait_for_the_process_that_compiles(tmp_path: Path, ends: str) -> None:
    """Told so, until that one is done, or gone however it went."""
    with subprocess.Popen(
        [sys.executable, "-c", _HOLDS, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        cwd=_ROOT,
    ) as process:  # fmt: skip
        assert process.stdout is not None
        assert process.stdout.readline() == "in\n"
        told, waits, entered = [], threading.Event(), threading.Event()

        def progress(what: str) -> None:
            told.append(what)
            waits.set()

        def wait() -> None:
            with SamplerShelf(tmp_path).alone(progress):
                entered.set()

        waiting = threading.Thread(target=wait)
        waiting.start()
        assert waits.wait(30)
        assert not entered.wait(0.2)
        if ends == "it is done":
            process.communicate("\n")
        else:
            process.kill()
        assert entered.wait(30)
        waiting.join()
    assert told == ["Another process is preparing the model. Waiting for it"]


def test_where_no_lock_can_be_had_one_goes_ahead(tmp_path: Path) -> None:
    """A cache folder that cannot be written to costs a compilation, not the answer."""
    file = tmp_path / "a file"
    file.write_text("not a folder")
    told: list[str] = []
    with SamplerShelf(file).alone(told.append):
        assert told == []
    with pytest.raises(KeyError), SamplerShelf(file).alone(told.append):
        raise KeyError


_USES = """
import os, sys
from pathlib import Path
from taperwise.api.core import compile_cache
from taperwise.api.core.settings import Settings
used = compile_cache.use(Settings().cache_folder)
(used / "numba" / "kept").write_text("something")
assert compile_cache.use(Settings().cache_folder) == used
print(used, os.environ["NUMBA_CACHE_DIR"], Settings().cache_folder, sep="\\n")
print(compile_cache.notice(), file=sys.stderr)
"""


@pytest.mark.parametrize("blocked", ["", "numba", "pytensor", "sources", "sampler"])
def test_a_folder_that_cannot_be_written_is_replaced(tmp_path: Path, blocked: str) -> None:
    """A file in its place, or in that of a part of it: a temporary folder is used, it is said, and it goes again."""
    folder = tmp_path / "cache"
    if blocked:
        folder.mkdir()
    (folder / blocked).write_text("a file in the way") if blocked else folder.write_text("a file in the way")
    environment = {
        name: value for name, value in os.environ.items() if name not in ("NUMBA_CACHE_DIR", "PYTENSOR_FLAGS")
    }
    environment |= {"TAPERWISE_CACHE_FOLDER": str(folder), "PYTHONPATH": f"{_ROOT / '.src'}{os.pathsep}{_ROOT}"}
    told = subprocess.run(
        [sys.executable, "-c", _USES], env=environment, capture_output=True, text=True, check=True, cwd=_ROOT
    )
    used, numba, settings = told.stdout.strip().splitlines()[-3:]
    assert used == settings != str(folder)
    assert numba == f"{used}/numba"
    assert not Path(used).exists()
    assert str(folder) in told.stderr
    assert "Set TAPERWISE_CACHE_FOLDER" in told.stderr


def test_the_service_says_that_compiled_code_does_not_last(client: Client, monkeypatch: pytest.MonkeyPatch) -> None:
    """In health, without the folder's name, because anyone may ask for that."""
    client.app.state.desk.prepare()  # type: ignore[attr-defined] - the client hides the type
    assert client.get("/readyz").json() == {"status": "ready"}
    monkeypatch.setattr("taperwise.api.core.compile_cache._notices", ["The cache folder /secret cannot be written to."])
    (warning,) = client.get("/readyz").json()["warnings"]
    assert "cache folder" in warning
    assert "/secret" not in warning
