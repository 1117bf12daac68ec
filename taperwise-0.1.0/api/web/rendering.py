"""Templates turned into pages."""

from typing import Any

from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from taperwise.api import __version__
from taperwise.api.accounts.principal import current
from taperwise.api.presentation import card_text, cautions, formatting, needle_text
from taperwise.api.presentation.chance_text import HAZARD
from taperwise.api.presentation.digits import number, respelled
from taperwise.api.presentation.field_names import label_of
from taperwise.api.web import assets
from taperwise.api.web.stop_here import stop_here

__all__ = ["CONTENT_POLICY", "HEADERS", "fragment", "page"]

CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "worker-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
)
"""No script or style stands in a page, and nothing is asked of anybody else; `data:` is for a page's own pictures."""

HEADERS = {
    "Content-Security-Policy": CONTENT_POLICY,
    "Referrer-Policy": "same-origin",  # stricter ones blank the origin that forms are judged by
    "Cache-Control": "no-store",
}

_environment = Environment(
    loader=PackageLoader("taperwise.api.web"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_environment.filters.update(
    sign=formatting.sign,
    quantity=formatting.quantity,
    chance=formatting.chance,
    direction=formatting.direction,
    about=formatting.about,
    from_mark=formatting.from_mark,
    screw=formatting.screw,
    stop=formatting.stop,
    turns=formatting.fraction,
    moment=formatting.moment,
    spoken=formatting.with_form_labels,
    percent=formatting.percent,
    number=lambda value, digits: number(value, f".{digits}f"),
    figures=respelled,
    got=formatting.got,
    runs=formatting.runs,
    taper_range=formatting.taper_range,
    turns_range=formatting.turns_range,
    shown=formatting.shown,
    to_finish=formatting.to_finish,
    more_runs=card_text.more_runs,
    label_of=label_of,
    better_needle=needle_text.better_needle,
    needle_words=needle_text.needle_words,
    spacing_words=needle_text.spacing_words,
)
_environment.globals.update(
    version=__version__,
    deference=cautions.DEFERENCE,
    hazard=HAZARD,
    stage_words=formatting.STAGES,
    stamp=assets.stamp,
    units_of=formatting.units_of,
    asking=current,
    stop_here=stop_here,
)


def page(template: str, status: int = 200, **context: Any) -> HTMLResponse:
    """A page, under the policy that lets nothing in from elsewhere.

    Parameters
    ----------
    template : str
        Name of a file among the templates.
    **context
        What it shows.
    """
    return HTMLResponse(fragment(template, **context), status, headers=HEADERS)


def fragment(template: str, **context: Any) -> str:
    """The text a template gives."""
    return _environment.get_template(template).render(**context)
