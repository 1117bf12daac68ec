"""The bench of updates, small: its figures, and that its comparison finds what is there and what is not."""

import json
from dataclasses import replace

import numpy as np
import pymc as pm
import pytest
from typer.testing import CliRunner

from taperwise.api.files.installation import installation_from
from taperwise.api.schemas.run import RunIn
from taperwise.model.inference.data_packing import data_of
from taperwise.model.inference.dataset import gather
from taperwise.model.inference.pymc_model import build
from taperwise.model.inference.sampler import FIRST_TRY, Posterior, Sampler
from taperwise.model.recommender import Recommender
from taperwise.model.simulation.tuned import tuned
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.records import Installation
from taperwise.shared.runs import RiseSeen, Run
from tests.benchmarks import pymc_peers
from tests.benchmarks.__main__ import app
from tests.benchmarks.agreement import MEASURES, compare, figures, quantities
from tests.benchmarks.histories import as_sent, histories
from tests.benchmarks.update import sizes_from
from tests.benchmarks.whole_updates import exponent_of, whole_service


def test_histories_hold_what_they_are_called(installation: Installation) -> None:
    """Every kind is there: single runs, censored ones only, runs that contradict each other; each number its own."""
    sent = installation_from(None)
    logs = {h.name: h.entries for h in histories(sent, 20, 1)}
    assert len(logs) == 20
    runs = {name: [e for e in log if isinstance(e, Run)] for name, log in logs.items()}
    assert len(runs["single 0"]) == len(logs["single 0"]) == 1
    for name, seen in (
        ("fell at once only", RiseSeen.FELL_AT_ONCE),
        ("rough before peak only", RiseSeen.ROUGH_BEFORE_PEAK),
    ):
        for number in (1, 11) if seen is RiseSeen.FELL_AT_ONCE else (2, 12):
            assert {r.rise.seen for r in runs[f"{name} {number}"] if r.rise} == {seen}
    rises = [r.rise.kelvin for r in runs["contradictory 3"] if r.rise]
    assert rises[1] - rises[0] > 80.0
    assert len(runs["thirty runs 6"]) == 30
    assert logs["single 0"] != logs["single 10"]
    for log in logs.values():
        gather(sent.record(), log)


@pytest.mark.slow
@pytest.mark.thorough(one_of="benches")
def test_posteriors_agree_with_a_reference(recommender: Recommender) -> None:
    """On a single run and on a log censored throughout, nothing but Monte Carlo error stands between the two."""
    sent = installation_from(None)
    found = [compare(recommender, sent.record(), h, 1000) for h in histories(sent, 2, 1)]
    for one in found:
        assert one.converged
        assert one.chains == 4
        assert "offset_turns" in one.unknowns
        for measure in MEASURES:
            assert not one.beyond(measure, 3.0).any()
    told = figures(found)
    assert told["min_ess"] > 400.0
    assert 0.7 < told["scatter_over_monte_carlo"]["mean"] < 1.4


class _Shifted(Sampler):
    """A sampler whose long reference lies half a standard deviation beside what it gives otherwise."""

    def __init__(self, posterior: Posterior, shift: float) -> None:
        super().__init__()
        self._given, self._shift = posterior, shift

    def fit(self, evidence: object, seed: int) -> Posterior:
        """What was given."""
        return self._given

    def fit_once(self, evidence: object, seed: int, options: object) -> Posterior:
        """The same, beside itself."""
        u = self._given.unknowns
        moved = replace(u, rise_noise=u.rise_noise + self._shift * u.rise_noise.std())
        return replace(self._given, unknowns=moved)


@pytest.mark.slow
def test_a_posterior_that_is_off_is_found(recommender: Recommender) -> None:
    """One unknown half a standard deviation off is told by name, and no other is."""
    sent = installation_from(None)
    (history,) = histories(sent, 1, 1)
    evidence = gather(sent.record(), history.entries)
    given = recommender.sampler.fit_once(evidence, 1, FIRST_TRY)
    assert quantities(given)["rise_noise"].shape == (4, FIRST_TRY["draws"])
    beside = Recommender(1)
    beside.sampler = _Shifted(given, 0.5)
    off = compare(beside, sent.record(), history, 1000)
    assert off.failing
    for measure in ("mean", "quantile_5", "quantile_95"):
        beyond = np.array(off.unknowns)[off.beyond(measure, 1.96)]
        assert list(beyond) == ["rise_noise"]
        assert off.errors[measure][off.unknowns.index("rise_noise")] == pytest.approx(-0.5, abs=0.01)
    assert not off.beyond("sd", 0.0).any()
    told = figures([off])
    assert told["max_mean_error_sd"] == pytest.approx(0.5, abs=0.01)
    assert told["worst"]["mean"] == "rise_noise in single 0"


@pytest.mark.slow
@pytest.mark.thorough(one_of="benches")
def test_every_update_finds_the_log_as_it_was(recommender: Recommender) -> None:
    """A run is recorded, answered and voided: the next update has as many runs before it, and takes its own time."""
    sent = installation_from(None)
    log, more = tuned(sent.record(), 8, 3, more=2)
    with whole_service(recommender) as service:
        address = service.set_up(sent, as_sent(log))
        found = [service.update(address, run) for run in as_sent(more) if isinstance(run, RunIn)]
        standing = service.entries(address)
    assert all(one.seconds > 0.0 for one in found)
    runs = [e for e in standing if e["kind"] == "run"]
    assert len(runs) == 10
    assert [e["voided"] for e in runs] == 8 * [False] + 2 * [True]


def test_exponent_of_a_power() -> None:
    """Times that grow with the square of the runs have exponent two; one size has none."""
    assert exponent_of({1: 0.1, 10: 10.0, 100: 1000.0}) == pytest.approx(2.0)
    assert exponent_of({30: 1.0}) is None


def test_sizes_that_are_none() -> None:
    """They are refused by name, with the cure, before anything is compiled."""
    assert sizes_from("30,1,10,10") == [1, 10, 30]
    assert sizes_from("") == []
    for text in ("0,1", "ten", "1,,2"):
        with pytest.raises(InvalidValueError, match=r"--sizes.*Try 1,10,30"):
            sizes_from(text)


def _small() -> pm.Model:
    """A graph of the same data that PyMC compiles in a moment."""
    with pm.Model() as model:
        for name, value in data_of(gather(installation_from(None).record(), ())).items():
            pm.Data(name, value)
        pm.Normal("one")
    return model


@pytest.mark.slow
@pytest.mark.thorough(one_of="benches")
def test_the_bench_of_updates(recommender: Recommender, monkeypatch: pytest.MonkeyPatch) -> None:
    """Every figure is there, times and ratios are positive, and the posteriors agree."""
    monkeypatch.setattr(
        "taperwise.model.recommender.Recommender", lambda *_, **__: recommender
    )  # compiled once is enough
    monkeypatch.setattr("tests.benchmarks.update._EACH_SIZE", 1)
    assert vars(pymc_peers)["build"] is build
    monkeypatch.setattr(pymc_peers, "build", _small)  # PyMC takes half a minute to compile the whole one
    few = ["--updates", "1", "--before", "2", "--peer-updates", "1", "--histories", "1", "--reference-draws", "700"]
    result = CliRunner().invoke(app, ["update", *few, "--sizes", "1,2"])
    assert result.exit_code == 0, (result.output, result.exception)
    found = json.loads(result.stdout.strip().splitlines()[-1])
    assert 0.0 < found["p50_ms"] <= found["p95_ms"]
    assert isinstance(found["rss_growth_mib"], float)
    assert found["ratio_to_default"] > 0.0
    assert found["ratio_to_set_data"] > 0.0
    assert set(found["seconds_by_runs"]) == {"1", "2"}
    assert isinstance(found["exponent"], float)
    assert max(found["share_beyond_monte_carlo"].values()) < 0.02
    for key in ("max_mean_error_sd", "max_sd_error", "max_quantile_error_sd", "min_ess"):
        assert found[key] > 0.0
    assert found["divergences"] >= 0
    assert found["failing"] == []
