"""Whichever write to the database's files fails, the system itself saying so: nothing acknowledged is lost."""

import json
import subprocess
import sys
from pathlib import Path

import pytest

from tests.api.everything_on import sqlite_only


@sqlite_only
@pytest.mark.slow
def test_no_file_may_grow(tmp_path: Path) -> None:
    """Refused clearly, or stored; sent again under its key, stored once; read all the while; the file stays whole."""
    pytest.importorskip("resource")  # limits of this kind are POSIX's
    done = subprocess.run(
        [sys.executable, "-m", "tests.api.hurt.limited_files", str(tmp_path)],
        capture_output=True, text=True, check=False, timeout=300,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    found = json.loads(done.stdout.splitlines()[-1])
    answers = found["answers"]
    assert set(answers) == {"201", "503"}  # some limits are wide enough, and some are not
    assert answers["503"] > 30
    for kind, detail in found["told"]:
        assert kind == "application/problem+json"
        assert "ry again" in detail or "send it again" in detail
    assert set(found["reads"]) == {"200"}
    assert found["sequences"] == list(range(1, found["acknowledged"] + 1))
    assert found["whole"] == "ok"
