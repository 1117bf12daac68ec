"""Templates turned into pages."""

from typing import Any

from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from api import __version__
from api.access.caller import current
from api.pages import assets
from api.pages.policy import HEADERS
from api.told import words
from model.step.wording import fraction
from shared import cautions

__all__ = ["fragment", "page"]

_environment = Environment(
    loader=PackageLoader("api.pages"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
_environment.filters.update(
    sign=words.sign,
    quantity=words.quantity,
    chance=words.chance,
    about=words.about,
    from_mark=words.from_mark,
    screw=words.screw,
    stop=words.stop,
    turns=fraction,
    moment=words.moment,
    spoken=words.spoken,
    interval=words.interval,
    shown=words.shown,
    to_finish=words.to_finish,
)
_environment.globals.update(
    version=__version__,
    deference=cautions.DEFERENCE,
    stage_words=words.STAGES,
    stamp=assets.stamp,
    units_of=words.units_of,
    asking=current,
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
