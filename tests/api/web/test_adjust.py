"""The form of an adjustment: nothing is chosen beforehand, everything missing is named, a turn counts once."""

import re

import pytest

from tests.api.asking import Client
from tests.api.web.reading import FORM, RUN, fields, words


@pytest.mark.parametrize(
    ("form", "stored"),
    [
        (
            {"kind": "turn_screw", "turn_screw.turns": "0.125", "turn_screw.way": "-"},
            {"kind": "turn_screw", "turns": -0.125},
        ),
        ({"kind": "turn_screw", "turns": "0.25"}, {"kind": "turn_screw", "turns": 0.25}),
        (
            {"kind": "turn_screw", "turn_screw.size": "3/16", "turn_screw.way": "-"},
            {"kind": "turn_screw", "turns": -0.1875},
        ),
        (
            {
                "kind": "turn_screw", "turn_screw.size": "other", "turn_screw.turns": "1 1/8",
                "turn_screw.way": "+",
            },
            {"kind": "turn_screw", "turns": 1.125},
        ),
        ({"kind": "turn_screw", "turns": "-1/8"}, {"kind": "turn_screw", "turns": -0.125}),
        (
            {
                "kind": "turn_idle_stop", "turn_screw.turns": "9", "turn_idle_stop.turns": ",25",
                "turn_idle_stop.way": "+",
            },
            {"kind": "turn_idle_stop", "turns": 0.25},
        ),
        (
            {"kind": "change_needle", "needle": "A", "change_needle.turns": "0.5", "change_needle.way": "-"},
            {"kind": "change_needle", "needle": "A", "turns_from_mark": -0.5},
        ),
        ({"kind": "change_part", "part": "propeller", "fuel": "mogas"}, {"kind": "change_part", "part": "propeller"}),
        (
            {"kind": "change_part", "part": "fuel", "fuel": "mogas"},
            {"kind": "change_part", "part": "fuel", "fuel": "mogas"},
        ),
    ],
)  # fmt: skip
def test_an_adjustment_is_what_was_chosen(
    client: Client, home: str, form: dict[str, str], stored: dict[str, object]
) -> None:
    """Only the fields of the kind that was chosen count."""
    assert client.post(f"{home}/adjust", data=form, follow_redirects=False).status_code in (200, 303)
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    assert {n: v for n, v in entry["adjustment"].items() if v not in (None, "")} == stored


def test_a_large_turn_is_recorded_and_warned_of(client: Client, home: str) -> None:
    """The warning of the JSON API stands on the page that follows."""
    page = client.post(f"{home}/adjust", data={"kind": "turn_screw", "turns": "-0.5"})
    assert "step limit" in words(page.text)
    page = client.post(f"{home}/adjust", data={"kind": "turn_screw", "turns": "7"})
    assert page.status_code == 422
    assert "needle again at its mark" in words(page.text)


def test_no_turn_is_chosen_beforehand(client: Client, home: str) -> None:
    """The form as it comes records nothing, whatever is tapped first; what is missing is named."""
    form = {name: text for name, text in fields(client.get(f"{home}/adjust").text).items() if name != "client_id"}
    assert not [name for name in form if name.endswith((".way", ".size")) or name == "kind"]
    for more, lacking in (
        ({}, ("kind",)),
        ({"kind": "turn_screw"}, ("turn_screw.turns", "turn_screw.way")),
        ({"kind": "turn_screw", "turn_screw.size": "1/8"}, ("turn_screw.way",)),
        ({"kind": "turn_idle_stop", "turn_idle_stop.way": "+"}, ("turn_idle_stop.turns",)),
        ({"kind": "change_needle"}, ("needle",)),
        ({"kind": "change_part"}, ("part",)),
    ):
        page = client.post(f"{home}/adjust", data=form | more)
        assert page.status_code == 422
        assert re.findall(r'<a href="#([^"]+)-wrong"', page.text) == list(lacking)
    assert client.get(f"/api/v1{home}/history").json()["entries"] == []


def test_the_direction_is_drawn_as_the_set_up_says(client: Client) -> None:
    """Clockwise comes first; what it does follows the set-up."""
    form = FORM | {"throttle_body.lean_direction": "counter_clockwise"}
    home = client.post("/installations/new", data=form, follow_redirects=False).headers["Location"]
    told = words(client.get(f"{home}/adjust").text)
    assert "Clockwise richer" in told
    assert "Counter-clockwise leaner" in told


def test_without_a_direction_the_effect_is_asked(client: Client) -> None:
    """A set-up that does not say which way leans: nothing is drawn, and no way of the hex key is named."""
    form = {name: text for name, text in FORM.items() if name != "throttle_body.lean_direction"}
    home = client.post("/installations/new", data=form, follow_redirects=False).headers["Location"]
    page = client.get(f"{home}/adjust").text
    assert "<svg" not in page.partition('value="turn_idle_stop"')[0].partition("What did you do?")[2]
    turn = {"kind": "turn_screw", "turn_screw.size": "1/8", "turn_screw.way": "-"}
    assert client.post(f"{home}/adjust", data=fields(page) | turn, follow_redirects=False).status_code == 303
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    assert entry["adjustment"]["turns"] == -0.125
    told = words(client.get(f"{home}/before").text)
    assert "leans" not in told


def test_two_tabs_record_one_turn_once(client: Client, home: str) -> None:
    """A form that was opened before another entry was made asks; pressed again it records, and each id once."""
    old = fields(client.get(f"{home}/adjust").text)
    turn = {"kind": "turn_screw", "turn_screw.size": "1/8", "turn_screw.way": "-"}
    assert client.post(f"{home}/adjust", data=old | turn, follow_redirects=False).status_code == 303
    assert client.post(f"{home}/adjust", data=old | turn, follow_redirects=False).status_code == 303
    other = old | turn | {"client_id": "another-tab-0001"}
    asked = client.post(f"{home}/adjust", data=other)
    assert asked.status_code == 409
    assert "another entry was recorded: Needle holder 1/8 turn leaner (entry 1)" in words(asked.text)
    assert len(client.get(f"/api/v1{home}/history").json()["entries"]) == 1
    again = fields(asked.text)
    assert again["turn_screw.way"] == "-"
    assert client.post(f"{home}/adjust", data=again, follow_redirects=False).status_code == 303
    run = RUN | {"opened_after": old["opened_after"], "client_id": "another-tab-0002"}
    asked = client.post(f"{home}/run", data=run)
    assert asked.status_code == 409
    assert fields(asked.text)["seen"] == "peak"
    assert fields(asked.text)["opened_after"] == "2"
    assert len(client.get(f"/api/v1{home}/history").json()["entries"]) == 2


@pytest.mark.parametrize("opened", ["-1", "7", "99999999999999999999", "x"])
def test_a_form_that_was_opened_after_no_entry_asks(client: Client, home: str, opened: str) -> None:
    """It is refused as a stale one is, and comes back with the last entry that there is."""
    for path, typed in ("run", RUN), ("adjust", {"kind": "turn_screw", "turns": "-0.125"}):
        asked = client.post(f"{home}/{path}", data=typed | {"opened_after": opened})
        assert asked.status_code == 409
        assert fields(asked.text)["opened_after"] == "0"
    assert client.get(f"/api/v1{home}/history").json()["entries"] == []


def test_an_adjustment_is_undone_while_it_is_the_last(client: Client, home: str) -> None:
    """The card offers it; afterwards the entry is voided, and once a run rests on it, nothing is undone."""
    client.post(f"{home}/adjust", data={"kind": "turn_screw", "turns": "-0.25"})
    card = client.get(home).text
    assert "Recorded: 1/4 turn leaner" in words(card)
    sequence = re.search(r'name="sequence" value="(\d+)"', card)
    assert sequence is not None
    client.post(f"{home}/undo", data={"sequence": sequence[1]})
    (entry,) = client.get(f"/api/v1{home}/history").json()["entries"]
    assert entry["voided"]
    assert "Recorded:" not in words(client.get(home).text)
    client.post(f"{home}/adjust", data={"kind": "turn_screw", "turns": "-0.25"})
    client.post(f"{home}/run", data=RUN)
    assert client.post(f"{home}/undo", data={"sequence": "2"}).status_code == 409
    assert "Recorded:" not in words(client.get(home).text)
