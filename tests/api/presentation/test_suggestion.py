"""An answer is shown in the installation's units, whatever they are when it is shown."""

import json
from dataclasses import replace
from typing import Any

import pytest

from taperwise.api.presentation.suggestion import suggestion_out
from taperwise.api.recommendations.repository import as_document, in_units
from taperwise.api.schemas.units import PRESETS, Units
from taperwise.model.recommender import Recommender
from taperwise.shared.limits import Watch
from taperwise.shared.recommendation import ActionKind, Suggestion
from taperwise.shared.records import Installation, TurnScrew
from taperwise.shared.runs import Air, ExhaustRise, Highest, IdleQuality, RiseSeen, Run
from tests.api.asking import RUN, Client
from tests.api.conftest import StandIn
from tests.conftest import NEEDLES

_AIR = Air(288.15, 101_325.0)
_FAHRENHEIT, _CELSIUS = Units(), Units.model_validate(PRESETS["celsius"])


def _run(rise: ExhaustRise) -> Run:
    return Run(_AIR, rise, IdleQuality.SMOOTH)


def _answers(recorded: Recommender, installation: Installation) -> list[Suggestion]:
    """A first one, a turn, a limit exceeded, no needle that fits."""
    watched = Installation(NEEDLES, "taper 30.0", watch=Watch(505.0, 1100.0, 3000.0))
    turned: list[Any] = []
    for degf in (390, 356, 323):
        stumbling = ExhaustRise(RiseSeen.PEAK, degf / 1.8)
        turned += [Run(_AIR, stumbling, IdleQuality.LEAN_STUMBLING, 0.0, idle_rpm=800.0), TurnScrew(-0.25)]
    logs: list[tuple[Installation, list[Any]]] = [
        (installation, []),
        (watched, [Run(_AIR, rise=ExhaustRise(RiseSeen.PEAK, 90.0), highest=Highest(cht_kelvin=515.0))]),
        (installation, turned[:-1]),
    ]
    return [recorded.suggest(recorded.learn(place, log)) for place, log in logs]


def test_no_answer_names_a_unit_that_is_not_the_installations(
    recorded: Recommender, installation: Installation
) -> None:
    """Of the model's own answers, all text of one in Celsius is without °F, and the other way round."""
    for s in _answers(recorded, installation):
        celsius, fahrenheit = (suggestion_out(s, units).model_dump_json() for units in (_CELSIUS, _FAHRENHEIT))
        assert "°F" not in celsius
        assert "°C" not in fahrenheit
    held = suggestion_out(_answers(recorded, installation)[1], _CELSIUS)
    assert "reached 242 °C, above the limit of 232 °C" in held.action.instruction  # 515 K less 273.15, 505 K less that


def test_what_to_expect_is_told_in_the_installations_unit(recorded: Recommender, installation: Installation) -> None:
    """A rise of r K is one of r °C and of 1.8 r °F (the scales' definition), in the sentence as in the figures; where
    there will be none, that leaning is to end.
    """
    s = recorded.suggest(
        recorded.learn(installation, [Run(_AIR, ExhaustRise(RiseSeen.PEAK, 160 / 1.8), IdleQuality.SMOOTH)])
    )
    s = replace(s, expected=replace(s.expected, fell_at_once_chance=0.0, rough_before_peak_chance=0.0))
    rise = s.expected.rise_kelvin
    assert f"about {rise.median:.0f} °C to its peak" in suggestion_out(s, _CELSIUS).expect
    assert f"about {1.8 * rise.median:.0f} °F to its peak" in suggestion_out(s, _FAHRENHEIT).expect
    assert f"between {rise.low_90:.0f} and {rise.high_90:.0f} °C" in suggestion_out(s, _CELSIUS).expect
    lean = replace(s, expected=replace(s.expected, fell_at_once_chance=0.75))
    stop = "On leaning, EGT should fall at once (75\u00a0% chance): too lean. Then stop, and go back to full rich."
    assert stop in suggestion_out(lean, _CELSIUS).expect


def test_a_kept_answer_is_the_answer(recorded: Recommender, installation: Installation) -> None:
    """Kept as JSON and read back, to the last digit and in any units; nothing that is kept is a sentence."""
    for s in _answers(recorded, installation):
        document = json.loads(json.dumps(as_document(s)))
        for units in (_FAHRENHEIT, _CELSIUS):
            assert in_units(document, units) == suggestion_out(s, units)
            assert in_units(document, units, brief=True) == suggestion_out(replace(s, alternatives=()), units)
        assert not [text for text in _texts(document) if len(text.split()) > 3]


def _texts(part: Any) -> list[str]:
    if isinstance(part, dict):
        return [text for inner in part.values() for text in _texts(inner)]
    if isinstance(part, list):
        return [text for inner in part for text in _texts(inner)]
    return [part] if isinstance(part, str) else []


@pytest.mark.parametrize("changed", [{"why": "words"}, {"why": {"code": "another"}}, {"stage": "older"}])
def test_what_another_release_kept_is_not_shown(changed: dict[str, Any]) -> None:
    """It is made anew."""
    adviser = StandIn(7)
    document = as_document(adviser.suggest(adviser.learn(Installation(NEEDLES, "taper 30.0"), [])))
    assert in_units(document, Units()) is not None
    assert in_units(document | changed, Units()) is None
    assert in_units(None, Units()) is None


def test_other_units_need_no_new_answer(client: Client, place: str, stand_in: StandIn) -> None:
    """An installation that changes its units reads the kept answer in them at once; nothing is learned for it."""
    before = client.post(f"{place}/runs", json=RUN).json()["suggestion"]
    assert "°F" in before["expect"]
    learned = stand_in.learned
    changed = client.put(f"{place}/units", json=PRESETS["celsius"])
    assert changed.status_code == 200, changed.text
    after = client.get(f"{place}/suggestion").json()
    assert stand_in.learned == learned
    assert "°C" in after["expect"]
    assert "°F" not in json.dumps(after, ensure_ascii=False)
    assert after["expected"]["egt_rise"]["unit"] == "delta_degC"
    assert {k: after["confidence"][k] for k in ("both", "lean_chance")} == {
        k: before["confidence"][k] for k in ("both", "lean_chance")
    }


def test_codes_stand_beside_the_words(recorded: Recommender, installation: Installation) -> None:
    """For whoever reads the answer by machine."""
    s = recorded.suggest(
        recorded.learn(installation, [Run(_AIR, ExhaustRise(RiseSeen.FELL_AT_ONCE), IdleQuality.SMOOTH)])
    )
    out = suggestion_out(s, _CELSIUS)
    assert out.why_code == s.why.code
    assert s.action.kind is ActionKind.TURN_SCREW
    repeat = next(a for a in out.alternatives if a.action.kind == "repeat_run")
    assert repeat.refused_code == "lean_of_peak"
    assert "lean of peak" in (repeat.refused or "")
