"""The command line does the whole job, and says what is wrong as it was typed."""

import json
from pathlib import Path

import pytest

from taperwise.api.cli.main import COMMANDS
from tests.api.commands import Command, with_stand_in
from tests.api.conftest import StandIn


@pytest.fixture
def command(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, stand_in: StandIn, capsys: pytest.CaptureFixture[str]
) -> Command:
    """Runs a command: exit status, output, and what was told beside it."""
    return with_stand_in(monkeypatch, tmp_path, stand_in, capsys)


def _lines(command: Command) -> list[dict[str, str]]:
    found: list[dict[str, str]] = json.loads(command("sheet", "1", "--json")[1])["lines"]
    return found


def test_from_set_up_to_a_copy(command: Command, tmp_path: Path) -> None:
    """Dimensions, limits, observations, a correction, an undo, a note, the cause of a stop; out and in again."""
    new = command(
        "new", "--needle", "A=29.4", "--slide-stroke", "1.1 in", "--cylinders", "6", "--limit-rpm", "2700",
        "--target-rise", "60 to 120", "--fuel", "mogas", "--largest-turns", "0.125", "--json",
    )  # fmt: skip
    sent = json.loads(new[1])["installation"]
    assert sent["throttle_body"]["slide_stroke"] == {"value": 1.1, "unit": "in"}
    assert (sent["engine"]["cylinders"], sent["fuel"], sent["limits"]["largest_turns"]) == (6, "mogas", 0.125)
    assert sent["targets"]["rise"]["low"] == {"value": 60.0, "unit": "delta_degF"}
    air = ("--air", "68", "--pressure", "29.2")
    ran = command(
        "run", "1", *air, "--rise", "160", "--rise-error", "9", "--idle", "4", "--idle-rpm", "790",
        "--static-rpm", "2900", "--lambda-full-rich", "0.88", "--fuel-flow", "8", "--highest-cht", "402",
        "--humidity", "40", "--sureness", "unsure",
    )  # fmt: skip
    assert "STOP. Speed reached 2900 rpm, above the limit of 2700 rpm." in " ".join(ran[2].split())
    words = _lines(command)[0]["words"]
    for part in ("EGT rise 160 °F ± 9 °F", "0.88", "8 gal/h", "402 °F", "40\u00a0%", "unsure"):
        assert part in words, words
    assert command("list")[1].startswith("! Stop: 1 Engine 1. Engine limit exceeded.")
    assert json.loads(command("list", "--json")[1])[0]["severity"] == "stop"
    assert command("acknowledge", "1", "The tachometer was wrong.")[0] == 0
    assert json.loads(command("list", "--json")[1])[0]["severity"] == "fine"
    assert command("correct", "1", "1", "--reason", "typed wrong", "--rise", "96")[0] == 0
    words = _lines(command)[0]["words"]
    assert "EGT rise 96 °F" in words
    assert "402 °F" in words  # what was not given stays
    assert command("adjust", "1", "--screw", "-0.125")[0] == 0
    assert command("undo", "1")[0] == 0
    assert [line["state"] for line in _lines(command)] == ["corrected", "", "voided"]
    assert "Note 1 is saved" in command("note", "1", "[b]gasket[/b]")[1]
    file = tmp_path / "engine.json"
    assert command("sheet", "1", "--export", str(file))[0] == 0
    assert "Imported as engine 2" in command("import", str(file))[1]
    assert "is a copy" in command("contribute", "2", "--yes")[2]
    assert "NUMBER: This engine has no shared summary" in command("withdraw", "1")[2]


def test_files_are_checked_before_work(command: Command, stand_in: StandIn, tmp_path: Path) -> None:
    """A folder that is not there, or a file that is, ends with a sentence before the model is asked."""
    command("new", "--needle", "A=30")
    there = tmp_path / "there.pdf"
    there.write_text("mine")
    for option, path in (("--pdf", tmp_path / "none" / "s.pdf"), ("--pdf", there), ("--csv", tmp_path)):
        status, _, err = command("sheet", "1", option, str(path))
        assert status == 2
        assert err.startswith(f"error: {option}: "), err
    assert (stand_in.learned, there.read_text()) == (0, "mine")
    csv = tmp_path / "t.csv"
    csv.write_text("old")
    assert command("sheet", "1", "--csv", str(csv))[0] == 2
    assert command("sheet", "1", "--csv", str(csv), "--force")[0] == 0
    assert csv.read_text().count("\n") == 1


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("run", "1", "--air", "warm", "--pressure", "29.9", "--fell"), '--air: this is no number with a unit'),
        (("run", "1", "--air", "warm", "--pressure", "29.9", "--fell"), 'Write for example "68 degF".'),
        (("run", "1", "--air", "68", "--pressure", "thin", "--fell"), 'Write for example "29.23 inHg".'),
        (("run", "1", "--air", "68", "--pressure", "29.9", "--idle-rpm", "fast"), "--idle-rpm: "),
        (("run", "1", "--air", "68", "--pressure", "29.9", "--highest-cht", "9999"), "--highest-cht: "),
        (("run", "1", "--air", "68", "--pressure", "29.9", "--idle", "9"), "--idle: "),
        (("run", "9", "--air", "68", "--pressure", "29.9", "--fell"), "NUMBER: Engine not found"),
        (("new", "--needle", "A=30", "--slide-stroke", "9 m"), "--slide-stroke: "),
        (("new", "--needle", "A=30", "--needle", "B=31"), "--fitted: With several needles, --fitted is needed"),
        (("new", "--needle", "A=30", "--target-rise", "70"), '--target-rise: a range has a low and a high end'),
        (("undo", "1"), "NUMBER: there is no entry to undo"),
        (("correct", "1", "4", "--reason", "wrong", "--rise", "9"), "ENTRY: there is no such entry"),
        (("person", "add", " ", "--role", "builder"), "NAME: a name has between 1 and 100 characters"),
        (("note", "1", ""), "TEXT: "),
        (("import", "nowhere.json"), "FILE: the file cannot be read"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_as_it_was_typed(command: Command, words: tuple[str, ...], told: str) -> None:
    """The option or the argument with its dashes, and an example that is possible."""
    command("new", "--needle", "A=30")
    status, _, err = command(*words)
    assert status == 2
    assert told in err


def test_every_command_that_opens_a_database_says_where(command: Command) -> None:
    """The same two options on each; -h and --version everywhere."""
    without = {"prepare", "simulate", "read-sweep", "explain"}
    for group, commands in COMMANDS.items():
        for name in commands:
            path = [name] if group == "taperwise" else [group, name]
            told = command(*path, "-h")[1]
            assert ("--data-folder" in told and "--database-url" in told) == (name not in without), path
    assert command("--version")[1].startswith("taperwise ")
