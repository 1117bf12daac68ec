"""The documents are served, lead on where they point, are as short as they should be, and are of the code."""

import re
import tomllib
from pathlib import Path
from posixpath import normpath

import pytest
from markdown_it import MarkdownIt

from taperwise.api.explained.documents import CONTENTS, contents, html_of
from taperwise.api.library import fitting
from taperwise.api.web.routers import ROUTERS
from taperwise.model import MODEL_VERSION
from taperwise.model.recommender import Recommender
from tests.reference import FOLDER, PAGES
from tests.sentences import HELP, README, measured, sentences

_ROOT = Path(__file__).parents[1]
_DOCUMENTS = (README, "DEVELOPERS.md", *HELP)
_FOR_STATISTICIANS = re.compile(
    r"statistician|^model/|notebook|changelog|architecture|decisions|how_we_write|reference/(?:commands|http|errors|python)"
)
"""Pages for statisticians and developers, and what is made from strings that stand elsewhere."""
_BENCHMARKS = "model/docs/benchmarks.md"


def _text(path: str) -> str:
    return (_ROOT / path).read_text(encoding="utf-8")


def _links(path: str) -> list[tuple[str, str]]:
    """Every relative link and picture of a document: the file it leads to and the heading in it."""
    html = str(MarkdownIt("commonmark", {"html": True}).enable("table").render(_text(path)))
    found = re.findall(r'(?:href|src)="(?![a-z]+:)([^"#]*)(?:#([^"]*))?"', html)
    here = str(Path(path).parent)
    return [(normpath(f"{here}/{target}") if target else path, anchor) for target, anchor in found]


def test_every_document_is_in_the_list_once() -> None:
    """A page that the list does not name is one that nobody finds."""
    listed = [path for pages in contents().values() for path in pages]
    there = {
        str(page.relative_to(_ROOT))
        for folder in ("api/docs", "model/docs", "api/explained")
        for page in (_ROOT / folder).rglob("*.md")
    }
    assert list(contents()) == ["Tutorials", "How-to guides", "Reference", "Explanation"]
    assert sorted(listed) == sorted(there - {CONTENTS})


@pytest.mark.parametrize("path", _DOCUMENTS)
def test_links_lead_on_in_the_repository(path: str) -> None:
    """To a file that is there, and to a heading in it."""
    for target, anchor in _links(path):
        assert (_ROOT / target).exists(), f"{path}: {target}"
        if anchor:
            assert f'id="{anchor}"' in html_of(target, _text(target)), f"{path}: #{anchor}"


@pytest.mark.parametrize("path", (README, *HELP))
def test_sentences_are_short(path: str) -> None:
    """At most 15 words in the mean of every page, and over 25 in one sentence of twenty at most."""
    measure = measured(path)
    assert measure.mean <= 15, measure
    assert measure.long <= 0.05, measure


@pytest.mark.parametrize("path", [p for p in (README, *HELP) if not _FOR_STATISTICIANS.search(p)])
def test_no_term_of_statistics_is_shown(path: str) -> None:
    """Those who turn the holder or run the service are not told of the method."""
    text = re.sub(r"```.*?```|`[^`]*`|\([^)]*\.md\)", "", _text(path), flags=re.DOTALL)
    assert re.findall(r"(?i)\b(?:nats?|posteriors?|priors?|(?:non)?converge\w*|samplers?|k-hat|phi)\b", text) == []


def test_sentences_are_counted_as_a_reader_does() -> None:
    """In paragraphs, lists and tables; neither code nor headings count."""
    text = "# A title\n\nOne two three. Four *five*!\nSix\n\n- Seven [nine](ten.md)\n  eleven.\n\n```\nno code.\n```\n"
    assert sentences(text) == ["One two three.", "Four *five*!", "Six", "Seven nine eleven."]
    table = "| a cell | This cell has six words. Two more. |\n|---|---|\n"
    assert sentences(table) == ["This cell has six words.", "Two more."]


@pytest.mark.parametrize("name", PAGES)
def test_the_reference_is_of_the_code(name: str) -> None:
    """A page that the code makes is the one that is committed; `python -m tests.reference` makes it again."""
    assert (FOLDER / f"{name}.md").read_text(encoding="utf-8") == PAGES[name]()


def test_every_page_is_in_the_reference() -> None:
    """Every address that a browser opens as a page, and none that is gone."""
    named = set(re.findall(r"`(/[^`]*)`", _text("api/docs/reference/pages.md")))
    parts = re.compile(r"^/(parts|worker)|/card$|/all$|\.(svg|png|pdf|csv|json)$|\{path|\{reader\}")
    routes = {
        str(getattr(route, "path", ""))
        for router in ROUTERS
        for route in router.routes
        if "GET" in getattr(route, "methods", ())
    }
    pages = {path for path in routes if not parts.search(path)}
    assert len(pages) > 15
    assert sorted(pages - named) == []
    assert sorted(named - pages - {"/docs", "/model/builder", "/model/statistician"}) == []


def _cells(path: str) -> list[list[str]]:
    """Every row of the tables of a document, without heads and rules."""
    lines = _text(path).splitlines()
    heads = {i - 1 for i, line in enumerate(lines) if line.startswith("|---")}
    rows = [line for i, line in enumerate(lines) if re.match(r"\| ", line) and i not in heads]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]


def test_rows_of_benchmarks_name_their_version() -> None:
    """Each row has a version, a day and a command; a version that is not the model's is marked old."""
    rows = _cells(_BENCHMARKS)
    assert len(rows) > 40
    for what, result, model, day, command in rows:
        assert result
        assert re.fullmatch(r"\d{4}-\d\d-\d\d", day), what
        assert "python -m tests.benchmarks" in command or "above" in command, what
        _check_version(model)
    in_readme = [row[2] for row in _cells(README) if len(row) == 3 and row[2]]
    assert len(in_readme) > 3
    for model in in_readme:
        _check_version(model)


def _check_version(cell: str) -> None:
    """A version that is not the model's is marked old, and only such a one."""
    numbers = re.findall(r"\d+", cell)
    assert numbers, cell
    assert cell.endswith(" old") == (numbers != [MODEL_VERSION]), cell


def test_the_notebook_tutorial_works(monkeypatch: pytest.MonkeyPatch, unlearned: Recommender) -> None:
    """Its cells, one after the other, with an adviser that samples nothing."""
    monkeypatch.setattr(fitting, "_recommender", lambda: unlearned)
    cells = re.findall(r"```python\n(.*?)```", _text("api/docs/tutorial/first_notebook.md"), re.DOTALL)
    assert len(cells) >= 4
    names: dict[str, object] = {}
    exec("\n".join(cells), names)  # noqa: S102 - our own document
    assert names["tree"]


def test_the_licence_is_in_the_metadata() -> None:
    """As an expression with the files that hold the texts, those of what is vendored too."""
    project = tomllib.loads(_text("pyproject.toml"))["project"]
    assert "MIT" in project["license"].split()
    files = {str(path.relative_to(_ROOT)) for pattern in project["license-files"] for path in _ROOT.glob(pattern)}
    vendored = {str(path.relative_to(_ROOT)) for path in (_ROOT / "api/web/static").glob("*/*LICENSE*")}
    assert "LICENSE" in files
    assert vendored <= files
