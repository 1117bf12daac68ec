"""The benches of the pool, small."""

import json

import pytest
from typer.testing import CliRunner

from taperwise.api.files.installation import installation_from
from taperwise.model.inference.engine_prior import POOLED
from taperwise.model.physics.priors import PRIORS
from taperwise.shared.runs import Air
from tests.benchmarks.__main__ import app
from tests.benchmarks.new_engines import Drawn, Tuned, population, virtual_engine
from tests.benchmarks.start import figures_of


@pytest.mark.slow
@pytest.mark.thorough(one_of="benches")
def test_the_bench_of_the_pool_tells_its_growth() -> None:
    """Sizes, seconds, mebibytes and the exponent; ten times the engines take less than twelve times as long."""
    result = CliRunner().invoke(app, ["pool", "--engines", "2000,20000"])
    assert result.exit_code == 0, result.output
    told = json.loads(result.stdout.strip().splitlines()[-1])
    assert told["sizes"] == [2000, 20000]
    assert len(told["seconds"]) == len(told["mebibytes"]) == 2
    assert told["exponent"] <= 1.08
    assert 0 < told["mebibytes"][1] < 500


@pytest.mark.parametrize("options", [["--engines", "ten"], ["--engines", "0"], ["--engines", "5", "--method", "guess"]])
def test_what_cannot_be_benched_is_said(options: list[str]) -> None:
    """Sizes that are none and methods that do not exist are refused before anything is compiled."""
    result = CliRunner().invoke(app, ["pool", *options])
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


def test_luck_is_told_from_need() -> None:
    """Of engines tuned several times: which need fewer runs from one prior beyond luck, by hand (Welch 1947)."""
    steady = [each for _ in range(4) for each in _engine(1, 5, 3)]  # no scatter: 5 and 3
    lucky = [each for e, p in ((3, 9), (9, 4), (4, 8), (8, 3)) for each in _engine(2, e, p)]  # 6 and 6
    # 3.25 and 9.25, each with a variance of 0.25: t = 6 / sqrt(0.125) = 17
    worse = [each for e, p in ((3, 9), (3, 9), (3, 9), (4, 10)) for each in _engine(3, e, p)]
    found = [*steady, *lucky, *worse]
    told = figures_of(found, 40)
    assert (told["surely_fewer"], told["surely_more"]) == (1, 1)
    assert (told["fewer_from_pool"], told["more_from_pool"]) == (1, 1)
    assert told["mean_runs"]["expert"] == pytest.approx((5 + 6 + 3.25) / 3, abs=0.01)
    once = figures_of([*_engine(1, 5, 3), *_engine(3, 3, 9)], 40)
    assert (once["surely_fewer"], once["surely_more"]) == (0, 0)


def test_one_repeat_not_tuned_counts_as_all_of_its_runs() -> None:
    """And the engine is none of those tuned from both."""
    told = figures_of(
        [*_engine(1, 5, 3), *_engine(1, 5, "not_to_be_settled"), *_engine(2, 4, 4), *_engine(2, 6, 2)], 40
    )
    assert told["not_tuned"] == {"expert": 0, "pool": 1}
    assert told["mean_runs"]["pool"] == pytest.approx((21.5 + 3) / 2, abs=0.01)
    assert (told["tuned_from_both"], told["mean_runs_of_these"]) == (1, {"expert": 5.0, "pool": 3.0})


def test_repeats_are_of_one_engine() -> None:
    """Its truth is the same, its readings are others; farther and wider scattered ones lie in the same direction."""
    installation = installation_from(None).record()
    drawn = Drawn(1, 10_000)
    first, again, far, wide = (
        virtual_engine(installation, each)
        for each in (drawn, drawn._replace(again=1), drawn._replace(odd=2.0), drawn._replace(scatter=0.9))
    )
    assert first._u.offset == again._u.offset
    assert first.run(Air(288.15, 101_325.0)) != again.run(Air(288.15, 101_325.0))
    centre = population(1).beta[0, POOLED.index("offset")]
    prior = PRIORS["offset"]
    standard = [(float(e._u.offset[0, 0]) - prior.centre) / prior.spread - centre for e in (first, far, wide)]
    assert standard[1:] == pytest.approx([2.0 * standard[0], 3.0 * standard[0]])


@pytest.mark.parametrize("option", ["--scatter", "--odd"])
@pytest.mark.parametrize("value", ["nan", "inf", "-1"])
def test_what_is_no_number_is_refused_before_any_engine_is_tuned(option: str, value: str) -> None:
    """By the option's name."""
    refused = CliRunner().invoke(app, ["start", option, value])
    assert refused.exit_code == 2
    assert option in refused.output


def test_no_engine_that_fits_is_no_figure() -> None:
    """Nothing is divided by nothing."""
    told = figures_of(_engine(4, 2, 9, fitting=False), 40)
    assert told["fitting"] == 0
    assert told["fewer"] is told["fewer_of_these"] is told["mean_runs"]["pool"] is None
    one_sided = figures_of([each for each in _engine(5, 2, 9) if each.prior == "expert"], 40)
    assert one_sided["fewer_made"] is None
