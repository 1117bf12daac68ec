"""Sentences of documents and shown strings, measured: ``python -m tests.sentences`` prints the figures of each."""

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import NamedTuple

from taperwise.api.explained.documents import CONTENTS, contents
from tests.shown import in_code, in_help, in_openapi, in_templates

__all__ = ["HELP", "README", "Measure", "measured", "measured_strings", "sentences", "shown"]

_ROOT = Path(__file__).parents[1]
README = "README.md"
HELP = (CONTENTS, *(path for listed in contents().values() for path in listed))

_LONG = 25
_SHORT_CELL = 5
_NOT_PROSE = re.compile(r"```.*?```|~~~.*?~~~|<!--.*?-->|<img[^>]*>|!\[[^\]]*\]\([^)]*\)", re.DOTALL)
_ENDS = re.compile(r"(?<=[.!?])[\"*_)”]*\s+(?=[A-Z0-9`\"*(“ε])")


class Measure(NamedTuple):
    """How long sentences are: their number, the mean of words, the share over 25 words, and the longest."""

    count: int
    mean: float
    long: float
    longest: str


def sentences(markdown: str) -> list[str]:
    """All sentences of a text: of paragraphs, points of lists and cells of tables that hold more than a few words.

    Headings, code and pictures do not count. A word is what stands between spaces and holds a letter or a digit.
    """
    text = re.sub(r"^ {2,}(?=\S)", "", _NOT_PROSE.sub("\n", markdown), flags=re.MULTILINE)
    text = re.sub(r"\[([^\]]*)\]\([^)]*\)", r"\1", text)
    blocks: list[str] = []
    for line in text.splitlines():
        plain = line.lstrip("> ").strip()
        if plain.startswith("|"):
            cells = [cell for cell in re.split(r"(?<!\\)\|", plain) if len(_words(cell)) >= _SHORT_CELL]
            blocks.extend((*cells, ""))
        elif not plain or plain.startswith("#") or re.match(r"(?:[-*]|\d+\.) ", plain):
            blocks.append(re.sub(r"^(?:[-*]|\d+\.) |^#.*", "", plain))
        elif blocks:
            blocks[-1] += f" {plain}"
        else:
            blocks.append(plain)
    return [each.strip() for block in blocks for each in _ENDS.split(block) if _words(each)]


def _words(text: str) -> list[str]:
    return [word for word in text.split() if re.search(r"\w", word)]


def measured(*paths: str) -> Measure:
    """The measure of all documents together, by their paths in the repository."""
    return _measure([each for path in paths for each in sentences((_ROOT / path).read_text(encoding="utf-8"))])


def shown() -> dict[str, list[str]]:
    """All strings that a person reads outside the documents, by file; those of the API's description as `openapi`."""
    found = {name: list(texts) for of in (in_code(), in_templates(), in_help()) for name, texts in of.items()}
    return found | {"openapi": list(in_openapi())}


def measured_strings(found: Mapping[str, Iterable[str]]) -> Measure:
    """The measure of shown strings that hold more than a few words."""
    texts = [text for each in found.values() for text in each if len(_words(text)) >= _SHORT_CELL]
    return _measure([each for text in texts for each in sentences(text)])


def _measure(found: list[str]) -> Measure:
    lengths = [len(_words(each)) for each in found]
    longest = found[lengths.index(max(lengths))]
    return Measure(len(found), sum(lengths) / len(found), sum(n > _LONG for n in lengths) / len(found), longest)


if __name__ == "__main__":
    for path in (README, *HELP):
        one = measured(path)
        print(f"{one.count:4d} {one.mean:5.1f} {one.long:6.1%}  {path}")
    strings = shown()
    for path, texts in strings.items():
        if any(len(_words(text)) >= _SHORT_CELL for text in texts):
            one = measured_strings({path: texts})
            print(f"{one.count:4d} {one.mean:5.1f} {one.long:6.1%}  {path}")
    for name, one in (
        ("README", measured(README)), ("help pages", measured(*HELP)), ("shown strings", measured_strings(strings)),
    ):  # fmt: skip
        print(f"{name}: {one.count} sentences, mean {one.mean:.1f} words, {one.long:.1%} over {_LONG}")
