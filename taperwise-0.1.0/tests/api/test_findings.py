"""What a logger file showed beside the rise reaches every reader, and stands until it is acknowledged."""

import re
from pathlib import Path
from typing import Any

import pytest

from taperwise.api.presentation.trace_text import no_usable_probe, not_passed, sentence
from taperwise.api.schemas.units import PRESETS, Units
from taperwise.shared.findings import LEFT_OUT, Finding, FindingCode
from tests.api.asking import AIR, Client, with_a_dead_probe
from tests.api.web.reading import words

_ROOT = Path(__file__).parents[2]
_LOOKED = {"about": "trace", "cause": "The plug of EGT 2 was loose; pushed in."}


def _recorded(client: Client, place: str) -> dict[str, Any]:
    answer = client.post(f"{place}/runs", json={**AIR, "trace": {"csv": with_a_dead_probe()}})
    assert answer.status_code == 201, answer.text
    recorded: dict[str, Any] = answer.json()
    return recorded


def test_a_dead_probe_changes_no_rise(client: Client, place: str) -> None:
    """The run holds the rise it would hold without the column, and says how many cylinders were read."""
    recorded = _recorded(client, place)
    rise = recorded["run"]["run"]["egt_rise"]
    mapping = {"egt": ["EGT 1", "EGT 3", "EGT 4"], "temperature_unit": "degF"}
    trace = {"csv": with_a_dead_probe(), "mapping": mapping}
    without = client.post(f"{place}/runs", json={**AIR, "trace": trace}).json()["run"]["run"]["egt_rise"]
    assert rise == without
    assert rise["cylinders"] == 3
    (dead,) = [f for f in recorded["run"]["findings"] if f["column"] == "EGT 2"]
    assert (dead["code"], dead["left_out"], dead["entry"]) == ("cold", True, 1)
    assert "380 °F" in dead["words"]
    assert "800 °F" in dead["words"]


def test_a_finding_stands_until_it_is_acknowledged(client: Client, place: str) -> None:
    """In the next step's JSON, after a later run too; what is said of a limit does not touch it, and a void brings it
    back.
    """

    def standing() -> list[tuple[int, str]]:
        found = client.get(f"{place}/suggestion").json()["findings"]
        return [(f["entry"], f["column"]) for f in found if f["code"] in LEFT_OUT]

    assert _recorded(client, place)["suggestion"]["findings"]
    client.post(f"{place}/runs", json={**AIR, "egt_rise": {"seen": "fell_at_once"}})
    assert standing() == [(1, "EGT 2")]
    client.post(f"{place}/acknowledgements", json={"cause": "A baffle was loose."})
    assert standing() == [(1, "EGT 2")]
    said = client.post(f"{place}/acknowledgements", json=_LOOKED)
    assert said.status_code == 201
    assert said.json()["suggestion"]["findings"] == []
    assert said.json()["acknowledged"]["acknowledged"]["about"] == "trace"
    again = client.post(f"{place}/acknowledgements", json=_LOOKED)
    assert any("No finding" in w for w in again.json()["warnings"])
    for entry in (4, 5):
        client.post(f"{place}/entries/{entry}/corrections", json={"reason": "it was another", "void": True})
    assert standing() == [(1, "EGT 2")]
    client.post(f"{place}/entries/1/corrections", json={"reason": "another engine", "void": True})
    assert standing() == []


def test_what_is_said_of_a_finding_changes_no_answer(client: Client, place: str) -> None:
    """The model is shown the same log as before it, so a limit or a doubtful run stays to be acknowledged."""
    before = _recorded(client, place)["suggestion"]
    after = client.post(f"{place}/acknowledgements", json=_LOOKED).json()["suggestion"]
    assert {**before, "findings": []} == after


def test_pages_show_findings(client: Client, place: str) -> None:
    """Card, history and the sweep's page; the form on the card acknowledges it."""
    _recorded(client, place)
    home = place.removeprefix("/api/v1")
    said = "EGT 2 was left out of the reading"
    card = client.get(home).text
    assert said in words(card)
    assert said in words(client.get(f"{home}/history").text)
    sweep = words(client.get(f"{home}/sweeps/1").text)
    assert said in sweep
    assert "Of 3 cylinders read" in sweep
    form = re.search(r'name="client_id" value="([^"]+)">\s*<input type="hidden" name="about" value="trace">', card)
    assert form
    answer = client.post(f"{home}/acknowledge", data={"client_id": form[1], **_LOOKED}, follow_redirects=False)
    assert answer.status_code == 303
    assert said not in words(client.get(home).text)
    assert said in words(client.get(f"{home}/history").text)
    refused = client.post(f"{home}/acknowledge", data={"about": "trace", "cause": ""})
    assert refused.status_code == 422
    assert 'name="about" value="trace"' in refused.text


def test_the_sheet_shows_findings(client: Client, place: str) -> None:
    """Beside its run for good, at the top until it is acknowledged; the export carries both."""
    _recorded(client, place)
    home = place.removeprefix("/api/v1")
    said = "EGT 2 was left out of the reading"
    assert words(client.get(f"{home}/sheet").text).count(said) == 2
    client.post(f"{place}/acknowledgements", json=_LOOKED)
    assert words(client.get(f"{home}/sheet").text).count(said) == 1


def test_a_file_with_no_probe_that_works_is_refused(client: Client, place: str) -> None:
    """With what is wrong of each column; nothing is stored, and nobody is asked to lean further."""
    mapping = {"egt": ["EGT 2"], "temperature_unit": "degF"}
    answer = client.post(f"{place}/runs", json={**AIR, "trace": {"csv": with_a_dead_probe(), "mapping": mapping}})
    assert answer.status_code == 422
    assert "EGT 2 was left out" in answer.json()["detail"]
    assert client.get(f"{place}/history").json()["entries"] == []


_MORE = re.compile(
    r"\b(lean|leaning)\s+(on|further|more(?! slowly)|longer|until|past|beyond)\b|\bkeep (on )?leaning\b", re.IGNORECASE
)
_CAUTION = "can destroy an engine by detonation"


@pytest.mark.parametrize("units", [Units(), Units.model_validate(PRESETS["celsius"])])
@pytest.mark.parametrize("code", FindingCode)
def test_no_finding_asks_for_more_leaning(code: FindingCode, units: Units) -> None:
    """Each has its sentence, with figures in the owner's units; the only word of leaning further is not to."""
    said = sentence(Finding(code, "EGT 2", "EGT 1", 470.0, 700.0), units)
    assert said.endswith(".")
    assert not re.search(r"[{}]|\bNone\b", said)
    assert not _MORE.search(said.replace("Do not lean further", ""))


def test_no_refusal_of_a_file_asks_for_more_leaning_without_the_caution() -> None:
    """At full throttle too lean a mixture can destroy an engine in seconds."""
    flat = Finding(FindingCode.FLAT, "EGT 1", figure=1.0)
    assert not _MORE.search(str(no_usable_probe([flat], Units())))
    error = not_passed(30.0, Units())
    assert _CAUTION in error.cure
    assert not _MORE.search(f"{error.message} {error.cure}")


def test_no_text_anywhere_asks_for_more_leaning() -> None:
    """Every message and page of the service: the model's, the vocabulary's, the command line's."""
    files = [
        f
        for folder in ("api", "model", "shared")
        for ending in ("py", "html", "js")
        for f in (_ROOT / folder).rglob(f"*.{ending}")
    ]
    asked = {
        f"{file.relative_to(_ROOT)}: {found[0]}"
        for file in files
        if "static/swagger" not in str(file)
        for found in _MORE.finditer(file.read_text(encoding="utf-8").replace("Do not lean further", ""))
    }
    assert asked == set()
