"""``taperwise setup edit``: every field of a set-up, as a correction or a change."""

import json
from pathlib import Path
from typing import Any

import pytest

from taperwise.api.cli.set_up import _EDITED
from taperwise.api.schemas.installation import InstallationIn
from tests.api.commands import Command, with_stand_in
from tests.api.conftest import StandIn

_RUN = ("run", "1", "--air", "68", "--pressure", "29.2", "--rise", "160", "--idle", "4")


@pytest.fixture
def command(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, stand_in: StandIn, capsys: pytest.CaptureFixture[str]
) -> Command:
    """Runs a command: exit status, output, and what was told beside it."""
    made = with_stand_in(monkeypatch, tmp_path, stand_in, capsys)
    made("new", "--needle", "A=29.4", "--needle", "B=30", "--fitted", "A")
    return made


def _edited(command: Command, *words: str) -> dict[str, Any]:
    status, out, err = command("setup", "edit", "1", *words, "--json")
    assert status == 0, err
    found: dict[str, Any] = json.loads(out)
    return found


def test_a_correction_is_learned_again(command: Command, stand_in: StandIn) -> None:
    """A slope that always was another one: an entry that says so, and a new answer."""
    command(*_RUN)
    learned = stand_in.learned
    command("next", "1")
    assert stand_in.learned == learned
    status, out, _ = command("setup", "edit", "1", "--meaning", "correction", "--needle", "A=29.8", "--note", "again")
    assert (status, out) == (
        0, "Recorded as entry 2. It was always so: Taper slope of needle A: 29.4 mm/m → 29.8 mm/m\n",
    )  # fmt: skip
    command("next", "1")
    assert stand_in.learned == learned + 1


def test_needles_come_and_go(command: Command) -> None:
    """Added, retired, in use again; the same once more is no entry."""
    command(*_RUN)
    made = _edited(command, "--meaning", "change", "--needle", "C=3.12 percent", "--retire", "B")
    kept = made["installation"]["installation"]["needles"]
    assert [(each["label"], each["retired"]) for each in kept] == [("A", False), ("B", True), ("C", False)]
    assert kept[2]["taper_slope"] == {"value": 3.12, "unit": "percent"}
    assert made["entry"]["set_up"]["meaning"] == "change"
    assert _edited(command, "--meaning", "change", "--retire", "B")["entry"] is None
    assert command("setup", "edit", "1", "--meaning", "change", "--retire", "B")[1] == "Nothing differs.\n"
    assert _edited(command, "--meaning", "change", "--unretire", "B")["entry"]["sequence"] == 3


def test_a_limit_calls_for_a_stop_at_once(command: Command) -> None:
    """The stop follows the limits, as it does over HTTP."""
    command(*_RUN, "--highest-cht", "430")
    assert json.loads(command("list", "--json")[1])[0]["severity"] == "fine"
    _, _, err = command("setup", "edit", "1", "--meaning", "correction", "--limit-cht", "420 degF")
    assert "STOP. " in err
    assert "taperwise acknowledge 1" in " ".join(err.split())
    assert json.loads(command("list", "--json")[1])[0]["severity"] == "stop"
    assert "STOP" not in command("setup", "edit", "1", "--meaning", "correction", "--limit-cht", "none")[2]
    assert json.loads(command("list", "--json")[1])[0]["severity"] == "waiting"


def test_every_field_has_an_option(command: Command) -> None:
    """What a set-up holds is what options stand for; units alone are changed without an entry."""
    below = {"throttle_body", "engine", "targets", "limits", "watch"}
    fields = {
        f"{name}.{inner}" if name in below else name
        for name, field in InstallationIn.model_fields.items()
        for inner in (getattr(field.annotation, "model_fields", {}) if name in below else [""])
    }
    assert fields - {field.path for field in _EDITED} == {"needles", "units"}
    command(*_RUN)
    made = _edited(command, "--meaning", "change", "--unit", "length=in", "--unit", "elevation=m")
    assert made["entry"] is None
    kept = made["installation"]["installation"]["units"]
    assert (kept["length"], kept["elevation"], kept["pressure"]) == ("in", "m", "inHg")
    made = _edited(command, "--meaning", "correction", "--bore", "1.4", "--coldest", "-10 °C", "--name", "mine")
    assert made["installation"]["installation"]["throttle_body"]["bore"] == {"value": 1.4, "unit": "in"}
    assert made["installation"]["installation"]["coldest_temperature"] == {"value": -10, "unit": "degC"}
    assert _edited(command, "--meaning", "correction", "--bore", "none")["entry"]["set_up"]["changes"] == {
        "throttle_body.bore": [{"value": 1.4, "unit": "in"}, {"value": 34.0, "unit": "mm"}]
    }


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--meaning", "change"), 'Nothing to change was given. Give for example --limit-cht "420 degF".'),
        (("--meaning", "wrong", "--limit-cht", "420"), "--meaning: Input should be 'correction' or 'change'"),
        (("--meaning", "change", "--limit-cht", "9420"), "--limit-cht: Plausible values"),
        (("--meaning", "change", "--limit-cht", "hot"), 'Write for example "350.3 degF".'),
        (("--meaning", "change", "--needle", "A=33"), "--needle: A needle keeps its taper slope (got 33 mm/m)"),
        (("--meaning", "change", "--needle", "A=33"), "--meaning correction."),
        (("--meaning", "change", "--needle", "C=9 furlong"), "--needle: This unit does not fit a taper slope"),
        (("--meaning", "change", "--retire", "A"), "--retire: The installed needle cannot be retired (got A)"),
        (("--meaning", "change", "--retire", "A"), "taperwise adjust 1 --needle B."),
        (("--meaning", "change", "--retire", "Z"), "--retire: This is not one of your needles (got Z). Name one"),
        (("--meaning", "change", "--fuel", "mogas"), "taperwise adjust 1 --part fuel --fuel mogas."),
        (("--meaning", "change", "--fitted", "B"), "--fitted: Another needle is an adjustment (got B)"),
        (("--meaning", "correction", "--fitted", "Z"), "--fitted: This needle is not one of your needles"),
        (("--meaning", "correction", "--target-rise", "130 to 70"), "--target-rise: "),
        (("--meaning", "correction", "--unit", "length"), 'Write for example "length=in".'),
        (("--meaning", "correction", "--unit", "length=ell"), "--unit: Input should be 'mm'"),
        (("--meaning", "correction", "--time", "now", "--cylinders", "6"), "--time: A time must be text"),
    ],
)
def test_what_is_wrong_is_told_as_it_was_typed(command: Command, words: tuple[str, ...], told: str) -> None:
    """The option with its dashes, and an example that is possible."""
    status, _, err = command("setup", "edit", "1", *words)
    assert status == 2
    assert told in err


def test_an_engine_that_is_not_there_is_told(command: Command) -> None:
    """By the name of the argument."""
    status, _, err = command("setup", "edit", "9", "--meaning", "change", "--cylinders", "6")
    assert status == 2
    assert err.startswith("error: NUMBER: Engine not found")
