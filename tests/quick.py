"""The quick checks, half a minute: ``python -m tests.quick``.

Lint, format, import contracts, and tests that need neither the sampler nor a browser; two commands at a time.
"""

import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

__all__ = ["CHECKS"]

_ROOT = Path(__file__).parents[1]
_BIN = Path(sys.executable).parent
_PYTEST = (
    sys.executable, "-m", "pytest", "-q", "-n", "0", "-p", "no:schemathesis", "--durations=0", "--durations-min=2",
    "-m", "not slow",
)  # fmt: skip

CHECKS: tuple[tuple[str, ...], ...] = (
    (
        *_PYTEST, "tests/shared", "tests/test_documents.py", "tests/test_dependencies.py", "tests/test_no_sentences.py",
        "tests/test_docstrings.py",
    ),
    (*_PYTEST, "tests/api/test_ugly_files.py"),
    (f"{_BIN / 'ruff'}", "check", "."),
    (f"{_BIN / 'ruff'}", "format", "--check", "."),
    (f"{_BIN / 'lint-imports'}",),
)  # fmt: skip
"""Every command, the longest first."""


def _passes(check: tuple[str, ...]) -> bool:
    done = subprocess.run(check, cwd=_ROOT, check=False, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    print(done.stdout, flush=True)
    return not done.returncode


def main() -> int:
    """Run all of them, and say what failed."""
    begun = time.monotonic()
    with ThreadPoolExecutor(2) as pool:
        passed = list(pool.map(_passes, CHECKS))
    failed = [" ".join(check) for check, well in zip(CHECKS, passed, strict=True) if not well]
    print(f"{sum(passed)} of {len(CHECKS)} passed in {time.monotonic() - begun:.0f} s.", *failed, sep="\n")
    return bool(failed)


if __name__ == "__main__":
    sys.exit(main())
