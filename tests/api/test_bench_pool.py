"""The benches of the pool, small."""

import json

import pytest
from typer.testing import CliRunner

from api.bench.pool import Tuned, figures_of
from api.cli.main import app


@pytest.mark.slow
def test_the_bench_of_the_pool_tells_its_growth() -> None:
    """Sizes, seconds, mebibytes and the exponent; ten times the engines take less than twelve times as long."""
    result = CliRunner().invoke(app, ["bench", "pool", "--engines", "2000,20000"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout.strip().splitlines()[-1])
    assert told["sizes"] == [2000, 20000]
    assert len(told["seconds"]) == len(told["mebibytes"]) == 2
    assert told["exponent"] <= 1.08
    assert 0 < told["mebibytes"][1] < 500


@pytest.mark.parametrize("options", [["--engines", "ten"], ["--engines", "0"], ["--engines", "5", "--method", "guess"]])
def test_what_cannot_be_benched_is_said(options: list[str]) -> None:
    """Sizes that are none and methods that do not exist are refused before anything is compiled."""
    result = CliRunner().invoke(app, ["bench", "pool", *options])
    assert result.exit_code != 0
    assert result.exception is not None
    assert "--engines" in str(result.exception) or "--method" in str(result.exception)


def _engine(number: int, expert: int | str, pool: int | str, *, fitting: bool = True) -> list[Tuned]:
    """One engine from both priors: runs to tuned, or what was said instead."""
    return [
        Tuned(number, name, fitting, "tuned", x, True, 0)
        if isinstance(x, int)
        else Tuned(number, name, fitting, x, 7, None, 1)
        for name, x in (("expert", expert), ("pool", pool))
    ]


def test_runs_from_either_prior() -> None:
    """Reckoned by hand: three engines that fit, one of them not tuned from the pool's prior, one that does not fit."""
    found = [
        *_engine(1, 6, 3),
        *_engine(2, 4, 5),
        *_engine(3, 8, "not_to_be_settled"),
        *_engine(4, 2, 9, fitting=False),
    ]
    told = figures_of(found, 40)
    assert told["fitting"] == 3
    assert told["median_runs"] == {"expert": 6.0, "pool": 5.0}
    assert told["mean_runs"] == {"expert": 6.0, "pool": 16.0}
    assert told["fewer"] == pytest.approx(1 - 16 / 6, abs=1e-3)
    assert told["not_tuned"] == {"expert": 0, "pool": 1}
    assert (told["tuned_from_both"], told["mean_runs_of_these"]) == (2, {"expert": 5.0, "pool": 4.0})
    assert told["fewer_of_these"] == 0.2
    # away from 4/5 of the expert's runs: 3 − 4.8 and 5 − 3.2; their scatter 2.546 over a mean of 5 and √2
    assert told["fewer_of_these_error"] == 0.36
    assert told["runs_made"] == {"expert": 18, "pool": 15}
    assert told["fewer_made"] == pytest.approx(3 / 18, abs=1e-3)
    assert (told["fewer_from_pool"], told["more_from_pool"]) == (1, 2)
    assert told["true_claims"] == {"expert": [4, 4], "pool": [3, 3]}
    assert told["lean_runs"] == {"expert": 0, "pool": 1}


def test_no_engine_that_fits_is_no_figure() -> None:
    """Nothing is divided by nothing."""
    told = figures_of(_engine(4, 2, 9, fitting=False), 40)
    assert told["fitting"] == 0
    assert told["fewer"] is told["fewer_of_these"] is told["mean_runs"]["pool"] is None
