"""Query parameters that an operation does not know are refused, as unknown fields of a body are."""

from fastapi import Request
from fastapi.dependencies.utils import get_flat_params
from fastapi.params import Query

from taperwise.shared.errors import InvalidValueError

__all__ = ["known_parameters"]


def known_parameters(request: Request) -> None:
    """Refuse a query parameter of the JSON API that the route does not ask for.

    Raises
    ------
    InvalidValueError
        Naming the first one, and those that there are.
    """
    if not request.query_params or not request.url.path.startswith("/api/"):
        return
    asked = get_flat_params(request.scope["route"].dependant)
    known = sorted({field.alias for field in asked if isinstance(field.field_info, Query)})
    for name in request.query_params:
        if name not in known:
            cure = f"Known here: {', '.join(known)}." if known else "Remove the parameter. There is none here."
            raise InvalidValueError("there is no such query parameter", field=name[:80], value=None, cure=cure)
