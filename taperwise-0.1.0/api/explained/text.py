"""The explanations as they stand in the package, and as pages."""

from functools import cache
from importlib.resources import files

from taperwise.api.explained.documents import html_of
from taperwise.model.physics.priors import PRIORS

__all__ = ["READERS", "page_of", "text_of", "with_priors"]

READERS = {"builder": "for_the_builder", "statistician": "for_the_statistician"}
"""For whom there is an explanation, and the name of its file."""

_BEGIN, _END = "<!-- priors -->\n", "<!-- end -->"


def text_of(reader: str) -> str:
    """The explanation for one of `READERS`, in Markdown."""
    return files("taperwise.api.explained").joinpath(f"{READERS[reader]}.md").read_text(encoding="utf-8")


def with_priors(text: str) -> str:
    """A text whose table of priors is that of the model."""
    if _BEGIN not in text:
        return text
    before, rest = text.split(_BEGIN)
    return before + _BEGIN + _prior_table() + _END + rest.split(_END)[1]


def _prior_table() -> str:
    """The priors as a table of Markdown."""
    head = "| unknown | prior | centre | spread | unit | why |\n|---|---|---|---|---|---|\n"
    return head + "".join(
        f"| `{name}` | {p.family} | {p.centre:.4g} | {p.spread:.4g} | {p.unit} | {p.reason.replace('|', '/')} |\n"
        for name, p in PRIORS.items()
    )


@cache
def page_of(reader: str) -> str:
    """The explanation for one of `READERS`, in HTML, its links those of the service."""
    return html_of(f"api/explained/{READERS[reader]}.md", text_of(reader))
