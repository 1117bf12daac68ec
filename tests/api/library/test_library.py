"""The Python library: files and tables in, answers out, and nothing loaded before it is asked for."""

import json
import subprocess
import sys
from collections.abc import Callable
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import taperwise
from taperwise.api.files.installation import fixture
from taperwise.api.library import fitting, tables
from taperwise.api.presentation.cautions import DEFERENCE
from taperwise.model.recommender import Recommender
from taperwise.shared.errors import InvalidValueError, OutOfRangeError, StepLimitError

_DAY = fixture("tuning_day.json")


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch, unlearned: Recommender) -> None:
    """Answers from a few draws of the prior."""
    monkeypatch.setattr(fitting, "_recommender", lambda: unlearned)


def test_importing_loads_nothing() -> None:
    """Names alone: no numpy, no pandas, no PyMC before one of them is asked for."""
    script = (
        "import sys, taperwise\n"
        "heavy = {'numpy', 'pandas', 'pymc', 'pytensor', 'nutpie', 'pydantic', 'fastapi'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
        "assert set(taperwise.__all__) <= set(dir(taperwise))\n"
        "taperwise.read_log, taperwise.fit\n"
        "heavy = {'pandas', 'pymc', 'pytensor', 'nutpie', 'fastapi', 'sqlalchemy'} & set(sys.modules)\n"
        "assert not heavy, heavy\n"
        "try:\n    taperwise.nothing\nexcept AttributeError:\n    print('fine')"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=False, timeout=300)
    assert done.stdout.strip() == "fine", done.stderr[-2000:]


def test_every_name_is_there_and_told() -> None:
    """What is offered can be had, has a docstring, and stands in the module's own."""
    for name in taperwise.__all__:
        assert getattr(taperwise, name).__doc__
        assert name in (taperwise.__doc__ or "") or name == "Recommendation"


def test_five_lines_lead_to_a_recommendation(quick: None, capsys: pytest.CaptureFixture[str]) -> None:
    """The lines of the module's docstring, run as they stand; the cautions come with it."""
    code = [line.strip() for line in (taperwise.__doc__ or "").split("::\n\n")[1].split("\n\n")[0].splitlines()]
    assert len(code) <= 5
    exec("\n".join(code).replace("tuning_day.json", str(_DAY)), {})  # noqa: S102 - the lines of our own docstring
    shown = capsys.readouterr().out
    assert DEFERENCE in shown
    assert "Why: " in shown


def test_a_table_reads_back(tmp_path: Path) -> None:
    """As a DataFrame, CSV with either decimal sign, and Parquet: the very same records."""
    log = taperwise.read_log(_DAY)
    log = log.and_then({"kind": "change_part", "part": "fuel", "fuel": "mogas"}, {"cause": "a loose baffle"})
    frame = log.to_frame()
    assert list(frame["entry"]) == list(range(1, len(log) + 1))
    assert frame["egt_rise.rise [delta_degF]"].iloc[0] == 154.0
    frame.to_csv(tmp_path / "log.csv", index=False)
    frame.to_csv(tmp_path / "comma.csv", index=False, sep=";", decimal=",")
    frame.to_parquet(tmp_path / "log.parquet")
    sources: list[Any] = [frame, *(tmp_path / name for name in ("log.csv", "comma.csv", "log.parquet"))]
    for source in sources:
        assert taperwise.read_log(source, log.engine).records() == log.records()
    assert taperwise.read_log(frame, _DAY).engine == log.engine


def test_a_table_is_read_in_the_order_of_its_entries(tmp_path: Path) -> None:
    """Whatever it was sorted by, with either decimal sign; rows may have been taken out of it."""
    log = taperwise.read_log(_DAY)
    shuffled = log.to_frame().sample(frac=1, random_state=1)
    assert shuffled["entry"].tolist() != sorted(shuffled["entry"])
    shuffled.to_csv(tmp_path / "log.csv", index=False, sep=";", decimal=",")
    for source in (shuffled, tmp_path / "log.csv"):
        assert taperwise.read_log(source, log.engine).records() == log.records()
    assert len(taperwise.read_log(shuffled[shuffled["entry"] != 3], log.engine)) == len(log) - 1


@pytest.mark.parametrize(("numbers", "seen"), [([1, 1], "1, as in row 1"), ([1, None], "nothing"), ([2, "x"], "x")])
def test_entries_need_a_number_each(numbers: list[Any], seen: str) -> None:
    """None is missing, repeated or a word."""
    log = taperwise.read_log(_DAY)
    frame = log.to_frame().head(2).assign(entry=numbers)
    with pytest.raises(InvalidValueError) as refused:
        taperwise.read_log(frame, log.engine)
    assert (refused.value.field, str(refused.value.value)) == ("row 2, entry", seen)
    assert refused.value.cure


def test_an_export_file_is_read_with_its_corrections() -> None:
    """What was voided is left out, and what was corrected is as it was corrected."""
    day = json.loads(_DAY.read_text(encoding="utf-8"))
    first, *_ = [each["body"] for each in day["log"] if each["post"] == "runs"]
    right = first | {"idle_quality": "smooth"}
    entries = [
        {"kind": "run", "document": first, "corrections": [{"document": right}]},
        {"kind": "adjustment", "document": {"kind": "turn_screw", "turns": 0.125}, "corrections": [{"document": None}]},
    ]
    log = taperwise.read_log({"contents": {"installation": day["installation"], "entries": entries}})
    assert len(log) == 1
    assert log.to_frame()["idle_quality"].iloc[0] == "smooth"


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"egt_rise.rise [delta_degF]": "many"}, "row 1, egt_rise.rise [delta_degF]"),
        ({"air_temperature [furlong]": 3.0}, "row 1, air_temperature"),
        ({"colour": "blue"}, "row 1, colour"),
        ({"kind": "dance"}, "row 1, kind"),
    ],
)
def test_a_cell_that_cannot_be_used_is_named(change: dict[str, Any], field: str) -> None:
    """Row and column, and a cure."""
    log = taperwise.read_log(_DAY)
    row = {
        k: v
        for k, v in log.to_frame().iloc[0].dropna().items()
        if not str(k).startswith("air_temp") or "air_temp" not in str(change)
    }
    with pytest.raises(InvalidValueError) as refused:
        taperwise.read_log(pd.DataFrame([row | change]), log.engine)
    assert refused.value.field.startswith(field)
    assert refused.value.cure


@pytest.mark.parametrize("source", ["nowhere.json", "nowhere.csv", {"log": [{"post": "dance", "body": {}}]}])
def test_what_is_no_log_is_refused(source: Any) -> None:
    """With what to give instead."""
    with pytest.raises(InvalidValueError) as refused:
        taperwise.read_log(source, _DAY)
    assert refused.value.cure
    with pytest.raises(InvalidValueError, match="which engine"):
        taperwise.read_log(pd.DataFrame([{"kind": "run"}]))


@pytest.mark.parametrize(
    ("ask", "field"),
    [
        (lambda log: taperwise.fit(log.to_frame()), "log"),
        (lambda log: taperwise.fit("day.json"), "log"),
        (lambda log: taperwise.fit(log, seed=-1), "seed"),
        (lambda log: taperwise.fit(log, seed=1.5), "seed"),
        (lambda log: taperwise.read_log([1, 2]), "source"),
        (lambda log: taperwise.read_log(3), "source"),
        (lambda log: taperwise.read_engine(None), "source"),
        (lambda log: taperwise.simulate(log.engine, seed=-1), "seed"),
        (lambda log: taperwise.simulate(log.engine, runs=-1), "runs"),
        (lambda log: log.until(-1), "entries"),
        (lambda log: taperwise.read_log(log.to_frame().drop(columns="kind"), log.engine), "row 1, kind"),
    ],
)
def test_what_cannot_be_asked_is_told_in_words(ask: Callable[[Any], object], field: str) -> None:
    """The project's own error, with the field, the value and a cure."""
    with pytest.raises(InvalidValueError) as refused:
        ask(taperwise.read_log(_DAY))
    assert refused.value.field == field
    assert refused.value.value is not None
    assert refused.value.cure


def test_an_index_without_a_name_is_no_field(tmp_path: Path) -> None:
    """As pandas writes it unless it is told otherwise; a field that is not known has a cure without a service."""
    log = taperwise.read_log(_DAY)
    log.to_frame().to_csv(tmp_path / "log.csv")
    assert taperwise.read_log(tmp_path / "log.csv", log.engine).records() == log.records()
    with pytest.raises(InvalidValueError) as refused:
        taperwise.read_log(log.to_frame().assign(colour="blue"), log.engine)
    assert "taperwise serve" in refused.value.cure


def test_the_version_is_known() -> None:
    """That of the installed package."""
    assert taperwise.__version__ == version("taperwise")
    assert "__version__" in dir(taperwise)


def test_a_fit_answers(quick: None, tmp_path: Path) -> None:
    """What-if and predictions agree with each other, follow the turn, and keep to the step limit; files are written."""
    fit = taperwise.fit(taperwise.read_log(_DAY), seed=7)
    assert fit.learned.posterior.seed == 7
    leaner, richer = (fit.what_if(turns) for turns in (-0.125, 0.125))
    assert leaner.egt_rise.median < richer.egt_rise.median
    drawn = fit.predict(0.125)
    assert len(drawn) == len(fit.learned.posterior.unknowns.offset)
    assert drawn["rise"].clip(lower=0).median() * 1.8 == pytest.approx(richer.egt_rise.median, abs=0.5)
    assert set(drawn["level"]) <= {1, 2, 3, 4, 5}
    assert drawn["lambda_full_rich"].between(0.4, 1.4).mean() > 0.9
    with pytest.raises(StepLimitError):
        fit.what_if(5.0)
    for ask in (fit.what_if, fit.predict):
        with pytest.raises(OutOfRangeError, match="density_ratio"):
            ask(density_ratio=-1.0)
    fit.to_netcdf(tmp_path / "fit.nc")
    assert (tmp_path / "fit.nc").stat().st_size > 100_000
    assert {v.name for v in fit.pymc_model().observed_RVs} >= {"rise_read", "idle_quality_read"}


def test_a_simulated_log_is_the_same_again() -> None:
    """By its seed; another seed is another engine."""
    logs = [taperwise.simulate(_DAY, runs=4, seed=seed) for seed in (3, 3, 4)]
    assert logs[0].records() == logs[1].records() != logs[2].records()
    assert sum(kind == "run" for kind in logs[0].to_frame()["kind"]) == 4
    assert len(logs[0].until(2)) == 2


def test_results_are_tables(quick: None, tmp_path: Path) -> None:
    """A row a run, a row a sweep, a row a benchmark."""
    log = taperwise.read_log(_DAY)
    history = tables.history_frame(log)
    assert len(history) == sum(kind == "run" for kind in log.to_frame()["kind"])
    assert history["run"].tolist() == list(range(1, len(history) + 1))
    assert history["turns_low_90"].lt(history["turns_high_90"]).all()
    sweeps = tables.sweeps_frame(fixture("sweep.csv"))
    assert len(sweeps) >= 1
    (tmp_path / "bench.txt").write_text('chatter\n{"runs": 5, "of": {"engine": 1}}\n', encoding="utf-8")
    assert tables.bench_frame(tmp_path / "bench.txt")["of.engine"].tolist() == [1]
    (tmp_path / "bench.txt").write_text("chatter", encoding="utf-8")
    with pytest.raises(InvalidValueError, match="JSON"):
        tables.bench_frame(tmp_path / "bench.txt")
