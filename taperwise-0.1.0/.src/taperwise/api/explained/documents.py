"""The project's documents: where the service shows each, and their Markdown as HTML."""

import re
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable
from itertools import count
from pathlib import PurePosixPath
from posixpath import normpath

__all__ = ["CONTENTS", "address_of", "contents", "document", "html_of"]

CONTENTS = "api/docs/index.md"
"""The document that lists all others, each under its kind."""

_SERVED = {"api/docs": "/help", "model/docs": "/help/model", "api/explained": "/model"}
"""Folder of the repository: the address its documents have in the service."""

_LINK = re.compile(r'(href|src)="(?!/|#|[a-z]+:)([^"#]*)(#[^"]*)?"')
_ENTRY = re.compile(r"^- \[([^\]]+)\]\(([^)]+)\)", re.MULTILINE)


def document(path: str) -> Traversable:
    """One file below `api`, `model` or another folder of the package, by its path in the repository."""
    return files("taperwise").joinpath(*path.split("/"))


def address_of(path: str) -> str | None:
    """Where the service shows a file of the repository; None where it does not."""
    for folder, address in _SERVED.items():
        if path.startswith(f"{folder}/"):
            below = path.removeprefix(f"{folder}/").removesuffix(".md").removeprefix("for_the_")
            return address if path == CONTENTS else f"{address}/{below}"
    return None


def html_of(path: str, text: str) -> str:
    """Markdown as HTML, its relative links as addresses of the service.

    Parameters
    ----------
    path : str
        The document's path in the repository, which its links are relative to.
    text : str
        Its Markdown.
    """
    from markdown_it import MarkdownIt  # a start does without

    here = str(PurePosixPath(path).parent)

    def resolved(match: re.Match[str]) -> str:
        kind, target, anchor = match.groups()
        address = address_of(normpath(f"{here}/{target}")) or target
        return f'{kind}="{address}{anchor or ""}"'

    html = _LINK.sub(resolved, str(MarkdownIt("commonmark").enable("table").render(text)))
    html = re.sub(r"<(h[23])>(.*?)</\1>", _with_anchor, html)
    # tables and drawings scroll for themselves on a phone, and by keyboard too
    parts = html.split("<table>")
    regions = (f'<div class="wide" tabindex="0" role="region" aria-label="Table {i}"><table>' for i in count(1))
    html = parts[0] + "".join(region + part for region, part in zip(regions, parts[1:], strict=False))
    return html.replace("</table>", "</table></div>").replace("<pre>", '<pre tabindex="0">')


def _with_anchor(match: re.Match[str]) -> str:
    """A heading that links can lead to, under the name that repositories give it."""
    level, title = match.groups()
    name = re.sub(r"[^\w -]", "", re.sub(r"<[^>]+>", "", title).lower()).replace(" ", "-")
    return f'<{level} id="{name}">{title}</{level}>'


@cache
def contents() -> dict[str, dict[str, str]]:
    """Path and title of every document, by its kind, in the order of the list."""
    here = str(PurePosixPath(CONTENTS).parent)
    kinds = document(CONTENTS).read_text(encoding="utf-8").split("\n## ")[1:]
    return {
        kind.split("\n", 1)[0]: {normpath(f"{here}/{path}"): title for title, path in _ENTRY.findall(kind)}
        for kind in kinds
    }
