"""Style, scripts and the worker, served from the package."""

import hashlib
from functools import cache
from importlib.resources import files

from fastapi import APIRouter
from fastapi.responses import Response
from starlette.exceptions import HTTPException

from taperwise.api.core.roles import Rule, requires

__all__ = ["ASSETS", "router", "stamp"]

router = APIRouter(include_in_schema=False)

ASSETS = {
    "pico.min.css": ("pico/pico.min.css", "text/css"),
    "hangar.css": ("pages/hangar.css", "text/css"),
    "overview.css": ("pages/overview.css", "text/css"),
    "sheet.css": ("pages/sheet.css", "text/css"),
    "htmx.min.js": ("htmx/htmx.min.js", "text/javascript"),
    "hangar.js": ("pages/hangar.js", "text/javascript"),
    "guide.js": ("pages/guide.js", "text/javascript"),
    "queue.js": ("pages/queue.js", "text/javascript"),
    "icon.svg": ("pages/icon.svg", "image/svg+xml"),
}
"""Name in the address: file below `static`, and its type."""


def _bytes(path: str) -> bytes:
    return files("taperwise.api.web").joinpath("static", *path.split("/")).read_bytes()


@cache
def stamp() -> str:
    """Changes whenever any of the files does, so that no browser mixes two releases."""
    digest = hashlib.sha256()
    for path, _ in (*ASSETS.values(), ("pages/worker.js", "")):
        digest.update(_bytes(path))
    return digest.hexdigest()[:12]


@router.get("/parts/{name}", **requires(Rule.ANYONE))
def part(name: str) -> Response:
    """One file."""
    if name not in ASSETS:
        raise HTTPException(404, "No such file.")
    path, kind = ASSETS[name]
    return Response(_bytes(path), media_type=kind, headers={"Cache-Control": "max-age=31536000, immutable"})


@router.get("/worker.js", **requires(Rule.ANYONE))
def worker() -> Response:
    """The worker that keeps pages at hand where there is no signal; at the root, to serve all pages."""
    parts = ",".join(f'"/parts/{name}?{stamp()}"' for name in ASSETS if name != "sheet.css")
    text = _bytes("pages/worker.js").decode().replace('"STAMP"', f'"{stamp()}"').replace('"PARTS"', parts)
    return Response(text, media_type="text/javascript", headers={"Cache-Control": "no-cache"})
