"""The bench of many installations, small."""

import json
from typing import Any

import pytest
from sqlalchemy import func, select
from typer.testing import CliRunner

from taperwise.api.core.database import Answer, Database, Entry, Installation
from taperwise.model.recommender import Recommender
from tests.benchmarks import many
from tests.benchmarks.__main__ import app


@pytest.mark.slow
@pytest.mark.thorough(one_of="benches")
def test_the_bench_of_many(recommender: Recommender, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each page is timed among many and among few; what was copied is there, with its entries and its answer."""
    held = []
    copied = many._copied

    def counted(database: Database, first: int, copies: int, console: Any) -> int:
        made = copied(database, first, copies, console)
        with database.reading() as session:
            held.append(
                tuple(session.scalar(select(func.count()).select_from(t)) for t in (Installation, Entry, Answer))
            )
        return made

    monkeypatch.setattr(many, "_copied", counted)
    monkeypatch.setattr(many, "_FEW", 10)
    monkeypatch.setattr(
        "taperwise.model.recommender.Recommender", lambda *_, **__: recommender
    )  # compiled once is enough
    monkeypatch.setattr("taperwise.api.web.pagination.ON_A_LEAF", 7)
    result = CliRunner().invoke(app, ["many", "--installations", "125", "--runs", "1", "--repeats", "2"])
    assert result.exit_code == 0, (result.output, result.exception)
    assert held == [(10, 10, 10), (125, 125, 125)]
    found = json.loads(result.stdout.strip().splitlines()[-1])
    for name in ("list", "desk", "found", "last_leaf"):
        assert 0.0 < found[f"{name}_p50_ms"] <= found[f"{name}_p95_ms"]
        assert found[f"{name}_ratio_to_one_leaf"] > 0.0
