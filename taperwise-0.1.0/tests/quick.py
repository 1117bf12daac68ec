"""The quick checks, half a minute: ``python -m tests.quick``.

Lint, format, import contracts, and tests that need neither the sampler nor a browser.
"""

import subprocess
import sys
import time
from pathlib import Path

__all__ = ["CHECKS"]

_ROOT = Path(__file__).parents[1]
_BIN = Path(sys.executable).parent

CHECKS: tuple[tuple[str, ...], ...] = (
    (f"{_BIN / 'ruff'}", "check", "."),
    (f"{_BIN / 'ruff'}", "format", "--check", "."),
    (f"{_BIN / 'lint-imports'}",),
    (
        sys.executable, "-m", "pytest", "-q", "-n", "0", "--durations=0", "--durations-min=2", "-m", "not slow",
        "tests/shared", "tests/test_documents.py", "tests/test_dependencies.py", "tests/test_no_sentences.py",
        "tests/test_docstrings.py", "tests/api/test_ugly_files.py",
    ),
)  # fmt: skip
"""Every command, in order."""


def main() -> int:
    """Run all of them, and say what failed."""
    begun = time.monotonic()
    failed = [" ".join(check[:3]) for check in CHECKS if subprocess.run(check, cwd=_ROOT, check=False).returncode]
    print(
        f"{len(CHECKS) - len(failed)} of {len(CHECKS)} passed in {time.monotonic() - begun:.0f} s.", *failed, sep="\n"
    )
    return bool(failed)


if __name__ == "__main__":
    sys.exit(main())
