"""The explanations as they stand in the package, and as pages."""

from functools import cache
from importlib.resources import files
from itertools import count

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
    from markdown_it import MarkdownIt  # a start does without

    html = str(MarkdownIt("commonmark").enable("table").render(text_of(reader)))
    for name, file in READERS.items():
        html = html.replace(f'href="{file}.md"', f'href="/model/{name}"')
    html = html.replace('src="figures/', 'src="/model/figures/')
    # tables and drawings scroll for themselves on a phone, and by keyboard too
    parts = html.split("<table>")
    regions = (f'<div class="wide" tabindex="0" role="region" aria-label="Table {i}"><table>' for i in count(1))
    html = parts[0] + "".join(region + part for region, part in zip(regions, parts[1:], strict=False))
    return html.replace("</table>", "</table></div>").replace("<pre>", '<pre tabindex="0">')
