"""``taperwise new``, ``run``, ``adjust``, ``next``, ``sheet``, ``list``: the same room by another door."""

import hashlib
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from taperwise.api.charts.data import ChartData
from taperwise.api.cli import context
from taperwise.api.files.installation import fixture
from taperwise.model.design import actions
from taperwise.shared.limits import ScrewStep
from taperwise.shared.reasons import InspectCause, Inspection
from taperwise.shared.recommendation import Action, ActionKind, Suggestion
from tests.api.asking import with_a_dead_probe
from tests.api.commands import Command, caller
from tests.api.conftest import StandIn


class _Turning(StandIn):
    """Suggests an eighth leaner, or to look first."""

    look = False

    def suggest(self, learned: Any) -> Suggestion:
        """The same with another action."""
        from dataclasses import replace

        installation = learned.posterior.installation
        turn = actions.turn_screw(ScrewStep(-0.125, installation.limits), installation)
        look = Action(ActionKind.INSPECT, inspection=Inspection(InspectCause.NOT_AS_FORETOLD))
        return replace(super().suggest(learned), action=look if self.look else turn)


@pytest.fixture
def adviser(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> _Turning:
    """The stand-in the commands find, and a data folder of their own."""
    made = _Turning(7)
    monkeypatch.setattr(context, "make_recommender", lambda _seed: made)
    monkeypatch.setenv("TAPERWISE_DATA_FOLDER", str(tmp_path))
    return made


@pytest.fixture
def command(adviser: _Turning, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Command:
    """Runs a command: exit status, output, and what was told beside it."""
    return caller(monkeypatch, capsys)


def test_needles_by_order_on_a_command_line(command: Command) -> None:
    """Labels alone, from shallow to steep, with a spacing where one is known."""
    new = ("new", "--by-order", "--needle", "thin", "--needle", "thick", "--fitted", "thick", "--step", "3 %", "--json")
    made = json.loads(command(*new)[1])["installation"]
    assert made["needles"] == [{"label": label, "taper_slope": None, "retired": False} for label in ("thin", "thick")]
    assert made["needle_step"] == {"value": 3, "unit": "percent"}


def test_from_new_to_sheet(command: Command, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Set up, record, adjust as suggested, read on, and write the papers; `--json` is one object alone."""
    monkeypatch.setattr(ChartData, "portraits", lambda *_: SimpleNamespace(runs=(), converged=True))
    new = ("new", "--needle", "A=29.4", "--needle", "B=3 %", "--fitted", "B", "--elevation", "650", "--name", "[red]x")
    new += ("--lean-direction", "clockwise")
    assert "taperwise next 1" in command(*new)[1]
    status, out, err = command("run", "1", "--air", "20 °C", "--altimeter", "29,98", "--rise", "160", "--idle", "4")
    assert status == 0
    assert "Recorded as entry 1" in err
    assert "Turn the needle holder 1/8 turn clockwise: leaner." in out
    assert "mixture settings in flight." in out
    status, out, _ = command("adjust", "1", "--as-suggested", "--json")
    assert status == 0
    assert json.loads(out)["confidence"]["runs"] == 1
    assert "step limit" in command("adjust", "1", "--screw", "-0.5")[1]
    made = json.loads(command("sheet", "1", "--json")[1])
    assert [line["words"] for line in made["lines"]] == [
        "air 68 °F; altimeter setting 29.98 inHg; EGT rise 160 °F; idle slightly rich",
        "Needle holder 1/8 turn leaner",
        "Needle holder 1/2 turn leaner",
    ]
    assert ["Needle", "B, taper slope 30 mm/m"] in made["setting"]
    assert "[red]x" in command("sheet", "1")[1]
    names = [str(tmp_path / n) for n in ("s.pdf", "t.csv", "e.json")]
    assert command("sheet", "1", "--pdf", names[0], "--csv", names[1], "--export", names[2])[0] == 0
    assert Path(names[0]).read_bytes().startswith(b"%PDF-")
    table = Path(names[1]).read_bytes()
    assert [line.endswith(b",3") for line in table.splitlines()] == [False, True, True, True]
    assert Path(f"{names[1]}.sha256").read_text(encoding="utf-8") == f"{hashlib.sha256(table).hexdigest()}  t.csv\n"
    assert json.loads(Path(names[2]).read_text(encoding="utf-8"))["entries"] == 3
    (listed,) = json.loads(command("list", "--json")[1])
    assert (listed["name"], listed["runs"], listed["stage"]) == ("[red]x", 1, "full_throttle")
    assert "[red]x" in command("list")[1]


def test_to_look_first_is_a_status_of_its_own(command: Command, adviser: _Turning) -> None:
    """A script can tell a step from a stop."""
    command("new", "--needle", "A=30")
    assert command("next", "1")[0] == 0
    adviser.look = True
    command("run", "1", "--air", "68", "--pressure", "29.9", "--fell")
    status, out, _ = command("next", "1", "--json")
    assert status == 3
    assert json.loads(out)["action"]["kind"] == "inspect"
    status, _, err = command("adjust", "1", "--as-suggested")
    assert status == 2
    assert "nothing to turn or change" in err


def test_a_trace_is_read(command: Command, tmp_path: Path) -> None:
    """The rise comes from the file, and what is odd about it is told."""
    command("new", "--needle", "A=30", "--celsius")
    sweep = str(fixture("sweep.csv"))
    status, out, _ = command("run", "1", "--air", "20", "--pressure", "1013", "--trace", sweep)
    assert status == 0
    assert "differs from the other cylinders" in out
    words = json.loads(command("sheet", "1", "--json")[1])["lines"][0]["words"]
    assert "air 20 °C; pressure 1013 hPa; EGT rise 8" in words
    assert command("run", "1", "--air", "20", "--pressure", "1013", "--trace", str(tmp_path / "none.csv"))[0] == 2


def test_findings_are_told_and_acknowledged(command: Command, tmp_path: Path) -> None:
    """With the run and the next step, as JSON the same, until a command acknowledges them; reading alone tells too."""
    path = tmp_path / "dead.csv"
    path.write_text(with_a_dead_probe(), encoding="utf-8")
    command("new", "--needle", "A=30", "--celsius")
    said = "EGT 2 was left out of the reading. The column never shows more than 193 °C"

    def flat(text: str) -> str:
        return " ".join(text.split())

    assert said in flat(command("run", "1", "--air", "20", "--pressure", "1013", "--trace", str(path))[1])
    assert said in flat(command("next", "1")[1])
    assert json.loads(command("next", "1", "--json")[1])["findings"][0]["column"] == "EGT 2"
    assert "EGT 2 was left out" in flat(command("read-sweep", str(path))[1])
    assert said in json.loads(command("sheet", "1", "--json")[1])["lines"][0]["findings"][0]
    status, out, _ = command("acknowledge", "1", "The plug was loose.", "--about", "trace")
    assert status == 0
    assert said not in flat(out)
    assert command("acknowledge", "1", "The plug was loose.", "--about", "weather")[0] == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("run", "1", "--air", "warm", "--pressure", "29.9", "--fell"), "--air: this is no number"),
        (("run", "1", "--air", "400", "--pressure", "29.9", "--fell"), "--air: Plausible values"),
        (("run", "1", "--air", "68", "--fell"), "--pressure: Either pressure or --altimeter is needed"),
        (("run", "1", "--air", "68", "--pressure", "29.9"), "--rise, --idle …: The run has no observation"),
        (("run", "1", "--air", "68", "--pressure", "29.9", "--fell", "--rise", "9"), "these exclude each other"),
        (("run", "9", "--air", "68", "--pressure", "29.9", "--fell"), "Engine not found"),
        (("adjust", "1"), "more or less than one adjustment was given"),
        (("adjust", "1", "--needle", "Z"), "not one of your needles"),
        (("adjust", "1", "--part", "wing"), "--part: "),
        (("new", "--needle", "30"), "a needle is a label and a slope"),
        (("new", "--needle", "A=30 furlong"), "This unit does not fit a taper slope"),
        (("next", "9"), "Engine not found"),
        (("sheet", "9"), "Engine not found"),
    ],
)
def test_what_cannot_be_used_is_told(command: Command, words: tuple[str, ...], told: str) -> None:
    """Status 2, the field, and nothing stored."""
    command("new", "--needle", "A=30")
    status, _, err = command(*words)
    assert status == 2
    assert told in err
    assert json.loads(command("sheet", "1", "--json")[1])["lines"] == []
