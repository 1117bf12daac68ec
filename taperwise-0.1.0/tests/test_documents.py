"""What the documents say is so."""

import re
from pathlib import Path

import pytest

from taperwise.api.core.problems import status_of
from taperwise.model import MODEL_VERSION
from taperwise.shared import errors
from taperwise.shared.errors import NotReadyError

_ROOT = Path(__file__).resolve().parent.parent
_NAMES = re.compile(r"`((?:api|model|shared|tests|fixtures|\.ci)/[\w./-]*)`")


_FOR_DEVELOPERS = (
    "DEVELOPERS.md",
    "api/docs/explanation/architecture.md",
    "api/docs/explanation/decisions.md",
    "api/docs/explanation/how_we_write.md",
    "model/docs/model.md",
    "model/docs/decision_rule.md",
    "model/docs/evaluation.md",
)


@pytest.mark.parametrize("document", _FOR_DEVELOPERS)
def test_every_file_that_is_named_is_there(document: str) -> None:
    """A room that moved takes its name in the plan with it."""
    named = set(_NAMES.findall((_ROOT / document).read_text(encoding="utf-8")))
    assert named
    assert sorted(name for name in named if not (_ROOT / name).exists()) == []


def test_every_module_that_is_named_alone_is_there() -> None:
    """A file name without its folder is that of some file, in the pages for those who work on the project."""
    there = {path.name for folder in ("api", "model", "shared", "tests") for path in (_ROOT / folder).rglob("*.py")}
    pages = [_ROOT / page for page in _FOR_DEVELOPERS]
    named = {name for page in pages for name in re.findall(r"`(\w+\.py)`", page.read_text(encoding="utf-8"))}
    assert len(named) > 5
    assert sorted(named - there) == []


def test_every_error_has_a_status_and_its_place_in_the_tree() -> None:
    """An error that nobody mapped would be a 500."""
    tree = errors.__doc__ or ""
    for name in errors.__all__:
        kind = getattr(errors, name)
        assert name in tree
        if name != "TaperwiseError":
            status, title = status_of(NotReadyError(5) if kind is NotReadyError else kind("no", cure="Do."))
            assert 400 <= status < 600
            assert title


def test_the_plan_of_the_house_names_every_room() -> None:
    """Every folder of the three floors that holds code is spoken of."""
    text = (_ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = [
        f"{p.parts[-3]}/{p.parts[-2]}/" for floor in ("api", "model") for p in (_ROOT / floor).glob("*/__init__.py")
    ]
    assert len(rooms) > 20
    assert len(text.splitlines()) <= 150
    assert [room for room in rooms if room not in text] == []


def test_no_page_shows_the_name_of_an_error() -> None:
    """People are told what is wrong, not what it is called inside."""
    pages = {
        p.name: re.sub(r"\{#.*?#\}", "", p.read_text(encoding="utf-8"), flags=re.DOTALL)
        for p in (_ROOT / "api/web/templates").glob("*.html")
    }
    assert pages
    assert [name for name, text in pages.items() if re.search(r"[A-Z]\w+Error\b", text)] == []


def test_the_changelog_names_the_model_version() -> None:
    """A version that could answer otherwise says what is new in it."""
    text = (_ROOT / "api/docs/changelog.md").read_text(encoding="utf-8")
    assert f"(model version {MODEL_VERSION})" in text
