"""Shown strings are short, and use the glossary's words."""

import re
from functools import cache
from pathlib import Path

import pytest

from taperwise.api.core.settings import Settings
from tests.reference import PAGES
from tests.sentences import HELP, README, measured, measured_strings, shown
from tests.shown import options_there

_ROOT = Path(__file__).parents[1]
_GLOSSARY = "api/docs/reference/glossary.md"
_STATISTICS = re.compile(r"(?i)\b(?:nats?|posteriors?|priors?|(?:non)?converge\w*|samplers?|k-hat|phi)\b")
_ABOUT_THE_METHOD = re.compile(
    r"openapi|^model/|statistician|notebook|changelog|architecture|decisions|how_we_write|reference/|exports/netcdf|unknowns_text|"
    r"api/schemas|api/pooling|api/recommendations/routes|api/observability|api/cli"
)
"""The statistician's pages, the API, and what is for those who run or develop the service."""


@cache
def _glossary() -> re.Pattern[str]:
    """The terms, and as `replaced` the words that they replace; of two at one place the longer."""
    rows = re.findall(r"^\| (.*?) \| .* \| (.*?) ?\|$", (_ROOT / _GLOSSARY).read_text(encoding="utf-8"), re.MULTILINE)
    terms = {term for cell, _ in rows for term in cell.split(", ")}
    replaced = {word for _, cell in rows for word in cell.split(", ") if word and word != "not"}
    patterns = {term: f"{re.escape(term)}s?" for term in terms}
    patterns |= {word: f"(?P<replaced{number}>{re.escape(word)})" for number, word in enumerate(sorted(replaced))}
    longest_first = (patterns[words] for words in sorted(patterns, key=len, reverse=True))
    return re.compile(rf"(?i)\b(?:{'|'.join(longest_first)})\b")


def _replaced(text: str) -> list[str]:
    """Replaced words of a text, but for what stands in code."""
    text = re.sub(r"```.*?```|`[^`]*`|\([^)]*\.md[^)]*\)", "", text, flags=re.DOTALL)
    return [found[0] for found in _glossary().finditer(" ".join(text.split())) if found.lastgroup]


@cache
def _strings() -> dict[str, list[str]]:
    return shown()


_OF_THEIR_OWN_WORDS = re.compile(
    r"^model/docs|for_the_statistician|changelog|decisions|how_we_write|reference/glossary"
)
"""Documents for statisticians and developers, and the two that name words not to use."""


def _documents() -> dict[str, list[str]]:
    """Those for readers; what `tests.reference` makes holds strings that stand elsewhere."""
    made = {f"api/docs/reference/{name}.md" for name in PAGES}
    paths = [path for path in (README, *HELP) if path not in made and not _OF_THEIR_OWN_WORDS.search(path)]
    return {path: [(_ROOT / path).read_text(encoding="utf-8")] for path in paths}


def test_the_glossary_is_read() -> None:
    """Terms stay, words that they replace are found."""
    assert _replaced("Turn the idle stop screw. The locking screw holds. Set the target range.") == []
    assert _replaced("Turn the screw: anew in its band, as `band` says.") == ["screw", "anew", "band"]
    assert _replaced("Engines like it. An engine like it. Not counts as right.") == [
        "Engines like it",
        "counts as right",
    ]


def test_no_replaced_term_is_shown() -> None:
    """On pages, in the command line, in errors, in the API's description and in the documents."""
    found = {path: words for path, texts in (_strings() | _documents()).items() if (words := _faults(path, texts))}
    assert found == {}


def _faults(path: str, texts: list[str]) -> list[str]:
    """Replaced words, terms of statistics outside of the statistician's pages and the API, and buttons with "it"."""
    words = [word for text in texts for word in _replaced(text)]
    if path in _strings() and not _ABOUT_THE_METHOD.search(path):
        words += [word for text in texts for word in _STATISTICS.findall(re.sub(r"`[^`]*`", "", text))]
    if path.startswith("api/web/templates"):
        words += [text for text in _buttons(_ROOT / path) if re.search(r"(?i)\bit\b", text)]
    return sorted({word.lower() for word in words})


def _buttons(template: Path) -> list[str]:
    text = re.sub(r"\{[{%#].*?[}%#]\}", "", template.read_text(encoding="utf-8"), flags=re.DOTALL)
    found = re.findall(r"<button[^>]*>(.*?)</button>|<a role=\"button\"[^>]*>(.*?)</a>", text, re.DOTALL)
    return [" ".join(one) for one in found]


def test_shown_strings_are_short() -> None:
    """At most 15 words in the mean, and over 25 in one sentence of twenty at most, as in the documents."""
    for measure in (measured(README), measured(*HELP), measured_strings(_strings())):
        assert measure.mean <= 15, measure
        assert measure.long <= 0.05, measure


@pytest.mark.parametrize("text", ["12%", "12  %", "12 %"])
def test_per_cent_stays_with_its_number(text: str) -> None:
    """One no-break space and one sign; anything else is found."""
    assert _loose(text)
    assert not _loose("12\u00a0%")


def _loose(text: str) -> list[str]:
    return re.findall(r"\d(?: +|)%", text)


def test_no_shown_per_cent_is_loose() -> None:
    """In the presentation."""
    found = {path: texts for path, texts in _strings().items() if path.startswith("api/presentation")}
    assert {
        path: [text for text in texts if _loose(text)] for path, texts in found.items() if any(map(_loose, texts))
    } == {}


def test_settings_and_options_that_are_named_exist() -> None:
    """A cure that names a variable or an option of the command line names one that is there."""
    texts = [text for found in _strings().values() for text in found]
    variables = {name.lower() for text in texts for name in re.findall(r"TAPERWISE_([A-Z_]+[A-Z])", text)}
    assert len(variables) > 5
    assert variables <= set(Settings.model_fields)
    options = {name for text in texts for name in re.findall(r"(?<![\w-])--[a-z][\w-]*", text)}
    assert len(options) > 2
    assert options <= options_there()
