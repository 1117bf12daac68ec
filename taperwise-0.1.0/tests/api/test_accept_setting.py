"""A setting is accepted, and a coldest air set, through every door; wrong words are told."""

import pytest

from tests.api.asking import RUN, Client, problem
from tests.api.web.reading import words


@pytest.mark.parametrize("about", ["setting", "run"])
def test_what_was_accepted_is_called_so(client: Client, place: str, about: str) -> None:
    """In the history page and on the sheet, beside what was the cause."""
    client.post(f"{place}/runs", json=RUN)
    answer = client.post(f"{place}/acknowledgements", json={"about": about, "cause": "near enough for me"})
    assert answer.status_code == 201
    home = place.removeprefix("/api/v1")
    word = "Accepted" if about == "setting" else "Cause"
    assert f"2 · {word} ·" in words(client.get(f"{home}/history").text)
    assert f"{word}: near enough for me" in words(client.get(f"{home}/sheet").text)


def test_what_cannot_be_accepted_is_told(client: Client, place: str) -> None:
    """By its field, with the words that are known."""
    found = problem(client.post(f"{place}/acknowledgements", json={"about": "engine", "cause": "near enough"}), 422)
    assert found["errors"][0]["field"] == "about"
    assert "setting" in found["errors"][0]["message"] + found["errors"][0]["cure"]


@pytest.mark.parametrize(("value", "unit", "status"), [(14, "degF", 201), (400, "degF", 422), (-10, "mm", 422)])
def test_a_coldest_temperature_is_plausible(client: Client, value: float, unit: str, status: int) -> None:
    """A temperature of air, in a unit of temperature."""
    needle = {"label": "a", "taper_slope": {"value": 30, "unit": "mm/m"}}
    sent = {"needles": [needle], "coldest_temperature": {"value": value, "unit": unit}}
    answer = client.post("/api/v1/installations", json=sent)
    assert answer.status_code == status
    if status == 422:
        assert problem(answer, 422)["errors"][0]["field"].startswith("coldest_temperature")
