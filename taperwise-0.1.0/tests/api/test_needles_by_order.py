"""Needles that nobody measured, as owners meet them: set up, told in steps, kept out of the pool."""

from collections.abc import Iterator

import pytest

from taperwise.api.app import create_app
from taperwise.api.charts import target
from taperwise.api.core.settings import Settings
from taperwise.api.presentation.needle_text import needle_words, spacing_words
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.units import Units
from taperwise.model.prediction.chart_data import around_the_target
from taperwise.model.recommender import Recommender
from tests.api.asking import RUN, Client, problem
from tests.api.pooling import owned
from tests.api.web.reading import FORM, fields, words

_ROW = [{"label": label} for label in ("A", "B", "C", "D", "E")]
_SLOPE = {"value": 30, "unit": "mm/m"}
_BODY = {"needles": _ROW, "fitted_needle": "B"}


@pytest.fixture
def unlearned_client(settings: Settings, unlearned: Recommender) -> Iterator[Client]:
    """A client of a service that answers from the prior."""
    with Client(create_app(settings, lambda _seed: unlearned)) as made:
        yield made


def test_what_is_told_is_told_in_steps(unlearned_client: Client) -> None:
    """From set-up to card and chart no slope is named, but places in the row."""
    place = unlearned_client.post("/api/v1/installations", json=_BODY).headers["Location"]
    answer = unlearned_client.post(f"{place}/runs", json=RUN).json()
    confidence = (answer.get("suggestion") or answer)["confidence"]
    assert confidence["taper_fit"] is None
    assert confidence["taper_steps"]["unit"] == "step"
    low, high = confidence["taper_steps"]["interval_90"]
    assert low < confidence["taper_steps"]["median"] < high
    home = place.removeprefix("/api/v1")
    card = words(unlearned_client.get(home).text)
    assert f"{-low:.1f} shallower to {high:.1f} steeper" in card
    settings = words(unlearned_client.get(f"{home}/settings").text)
    assert "Needle B 2 of 5 from the shallowest" in settings
    assert "about 2 %, corrected by your runs, from needle to needle" in settings
    assert "mm/m" not in card


def test_the_chart_of_the_target_counts_steps(unlearned: Recommender) -> None:
    """Its axis, its text and its table; the patch that is right is at none, and a step is no per mille of one."""
    installation = InstallationIn.model_validate(_BODY).record()
    around = around_the_target(unlearned.fit(installation, []))
    drawn = target.draw(around, Units())
    assert "ideal needle [steps, + steeper]" in drawn.svg
    assert "steps" in drawn.sentence
    assert "mm/m" not in drawn.svg + drawn.sentence
    shallow, steep = around.taper_band
    assert -6.0 < shallow < -0.2 < 0.2 < steep < 6.0


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"needles": [*_ROW[:2], {"label": "C", "taper_slope": _SLOPE}]}, "needles.0.taper_slope"),
        ({"needle_step": {"value": 30, "unit": "percent"}, "needles": _ROW}, None),
        ({"needle_step": {"value": 50, "unit": "percent"}, "needles": _ROW}, "needle_step"),
        (
            {"needle_step": {"value": 2, "unit": "percent"}, "needles": [{"label": "B", "taper_slope": _SLOPE}]},
            "needle_step",
        ),
    ],
)  # fmt: skip
def test_slopes_for_all_or_for_none(client: Client, change: dict[str, object], field: str | None) -> None:
    """What does not fit together is refused by its field, with a cure; a spacing that fits is taken."""
    answer = client.post("/api/v1/installations", json=_BODY | change)
    if field is None:
        assert answer.json()["installation"]["needle_step"] == {"value": 30, "unit": "percent"}
        return
    [told] = problem(answer, 422)["errors"]
    assert told["field"] == field
    assert told["cure"]


def test_the_form_takes_an_order(client: Client) -> None:
    """Rows with a label are needles, and what is refused names the field as the page does and loses nothing."""
    bare = {name: "" if name.endswith("value") and name.startswith("needles") else x for name, x in FORM.items()}
    form = bare | {
        "needles_by": "order",
        "needles.2.label": "",
        "needle_step.value": "2,5",
        "needle_step.unit": "percent",
    }
    place = client.post("/installations/new", data=form, follow_redirects=False).headers["Location"]
    made = client.get(f"/api/v1{place}").json()["installation"]
    assert made["needles"] == [{"label": label, "taper_slope": None, "retired": False} for label in "AB"]
    assert made["fitted_needle"] == "B"
    assert made["needle_step"] == {"value": 2.5, "unit": "percent"}
    mixed = client.post("/installations/new", data=form | {"needles.1.taper_slope.value": "30"})
    assert mixed.status_code == 422
    assert "needle A has no taper slope, and others have one" in words(mixed.text)
    assert fields(mixed.text)["needle_step.value"] == "2,5"


def test_a_form_without_any_slope_is_no_order(client: Client) -> None:
    """Whoever forgets the slopes is asked for them: an order is said, never guessed."""
    form = FORM | {"needles.0.taper_slope.value": "", "needles.1.taper_slope.value": ""}
    assert client.post("/installations/new", data=form).status_code == 422
    own = FORM | {"needles.2.label": "the thin one"}
    told = client.post("/installations/new", data=own)
    assert told.status_code == 422
    assert fields(told.text)["needles.2.label"] == "the thin one"


def test_the_pool_takes_no_engine_whose_slopes_are_not_known(client: Client) -> None:
    """Neither is its summary shared nor does the pool say anything of it; the reason is given in words."""
    place = client.post("/api/v1/installations", json=_BODY).headers["Location"]
    owned(client, place)
    refused = problem(client.post(f"{place}/prior", json={"prior": "pool"}), 409)
    assert "never measured" in refused["detail"]
    assert client.post(f"{place}/prior", json={"prior": "expert"}).status_code == 201
    client.post(f"{place}/runs", json=RUN)
    refused = problem(client.post(f"{place}/contribution", json={"consent": True}), 409)
    assert "never measured" in refused["detail"]
    assert "Measure the needles" in refused["errors"][0]["cure"]


def test_a_needle_in_words() -> None:
    """Its slope where it was measured, its place where it was not; the spacing as it was told."""
    row = InstallationIn.model_validate(_BODY | {"needle_step": {"value": 2.5, "unit": "percent"}})
    assert needle_words(row, "C") == "3 of 5 from the shallowest"
    assert spacing_words(row) == "2.5\u00a0% from needle to needle"
    one = InstallationIn.model_validate({"needles": [{"label": "A", "taper_slope": {"value": 3, "unit": "percent"}}]})
    assert needle_words(one, "A") == "taper slope 30 mm/m"
