"""The house rules: one line installs and tests, imports run one way, the wheel works elsewhere."""

import os
import re
import subprocess
import sys
import tarfile
import zipfile
from pathlib import Path

import pytest

_ROOT = Path(__file__).parents[1]
_BIN = Path(sys.executable).parent


def _run(*command: str | Path, cwd: Path = _ROOT, env: dict[str, str] | None = None) -> str:
    done = subprocess.run(
        [str(c) for c in command], cwd=cwd, env=env, capture_output=True, text=True, check=False, timeout=600
    )
    assert done.returncode == 0, done.stdout[-3000:] + done.stderr[-3000:]
    return done.stdout


def test_ruff() -> None:
    """No lint, and one format."""
    _run(_BIN / "ruff", "check", ".")
    _run(_BIN / "ruff", "format", "--check", ".")


def test_mypy() -> None:
    """All types hold under strict rules."""
    _run(_BIN / "mypy")


def test_imports_run_one_way() -> None:
    """The import contracts are kept."""
    _run(_BIN / "lint-imports")


def test_continuous_integration_runs_the_readme_line() -> None:
    """The line that checks everything is the one the README gives a newcomer."""
    lines = re.findall(r"^python3 -m venv .*$", (_ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE)
    assert len(lines) == 2
    assert lines[1] in (_ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_docstring_examples() -> None:
    """Examples in docstrings come out as written, wherever there are any."""
    import doctest
    import importlib

    tried = 0
    for floor in ("shared", "model", "api"):
        for file in sorted((_ROOT / floor).rglob("*.py")):
            if ">>>" in file.read_text(encoding="utf-8"):
                name = "taperwise." + ".".join(file.relative_to(_ROOT).with_suffix("").parts)
                result = doctest.testmod(importlib.import_module(name))
                assert result.failed == 0, name
                tried += result.attempted
    assert tried > 3


def test_all_is_imported_by_one_name() -> None:
    """The four folders are parts of one package: alone, their names would meet those of others in an environment."""
    bare = re.compile(r"\b(?:from|import) (?:api|model|shared|fixtures)\b(?!\w)(?=[. ](?!of\b))")
    found = [
        f"{file.relative_to(_ROOT)}: {line.strip()}"
        for folder in ("api", "model", "shared", "fixtures", "tests")
        for file in (_ROOT / folder).rglob("*.py")
        for line in file.read_text(encoding="utf-8").splitlines()
        if bare.search(line) and "from taperwise" not in line
    ]
    assert found == []


@pytest.mark.slow
def test_the_wheel_works_elsewhere(tmp_path: Path) -> None:
    """A wheel built from the checkout brings page, migrations and fixtures but no benches, and works away from it."""
    _run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", tmp_path, ".")
    (wheel,) = tmp_path.glob("*.whl")
    top = {name.split("/")[0] for name in zipfile.ZipFile(wheel).namelist() if ".dist-info/" not in name}
    assert top == {"taperwise"}
    place = tmp_path / "site"
    _run(sys.executable, "-m", "pip", "install", "--no-deps", "--target", place, wheel)
    env = {
        **os.environ, "PYTHONPATH": str(place), "PYTHONSAFEPATH": "1",
        "TAPERWISE_DATA_FOLDER": str(tmp_path / "data"),
    }  # fmt: skip
    script = (
        "import taperwise.api.app, taperwise.api.core.settings, sys\n"
        "from starlette.testclient import TestClient\n"
        "assert taperwise.__file__.startswith(sys.argv[1]), taperwise.__file__\n"
        "with TestClient(taperwise.api.app.create_app(taperwise.api.core.settings.Settings())) as c:\n"
        "    assert c.get('/docs/page.js').status_code == 200\n"
        "    assert c.get('/api/v1/installations').json()['total'] == 0\n"
        "    assert c.get('/installations/new').status_code == c.get('/worker.js').status_code == 200\n"
        "    assert c.get('/help').status_code == c.get('/help/pictures/pictures.png').status_code == 200\n"
        "    assert c.get('/help/model/model').status_code == 200\n"
        "    assert c.get('/model/builder').status_code == c.get('/model/figures/learned.svg').status_code == 200\n"
        "print('fine')"
    )
    assert "fine" in _run(sys.executable, "-c", script, place, cwd=tmp_path, env=env)
    run = "from taperwise.api.cli.main import run; run()"
    assert '"log"' in _run(sys.executable, "-c", run, "simulate", "--json", cwd=tmp_path, env=env)


@pytest.mark.slow
def test_the_sdist_holds_what_its_tests_need(tmp_path: Path) -> None:
    """Unpacked away from the checkout, it runs tests of units, documents, recorded posteriors and a page."""
    _run(sys.executable, "-m", "build", "--sdist", "--no-isolation", "--outdir", tmp_path, ".")
    (archive,) = tmp_path.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        packed.extractall(tmp_path, filter="data")
    place = archive.with_name(archive.name.removesuffix(".tar.gz"))
    for name in ("constraints.txt", ".ci/run", "tests/recorded/posteriors.npz", "fixtures/tuning_day.json"):
        assert (place / name).read_bytes() == (_ROOT / name).read_bytes()
    env = {**os.environ, "PYTHONPATH": f"{place / '.src'}:{place}"}
    few = ("tests/shared", "tests/test_documents.py", "tests/model/design/test_watch.py", "tests/api/web/test_card.py")
    command = (sys.executable, "-m", "pytest", "-n", "0", "-q", "-p", "no:cacheprovider", *few)
    told = _run(*command, cwd=place, env=env)
    assert " passed" in told
    assert "failed" not in told
