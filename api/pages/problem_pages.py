"""What went wrong, as a page with the same status and words as the JSON API's problem document."""

from collections.abc import Callable, Coroutine
from typing import Any

import structlog
from fastapi import Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.routing import APIRoute
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from starlette.exceptions import HTTPException

from api.http.checked import RefusedError, told
from api.http.problems import status_of
from api.http.refusals import FieldError, refusal
from api.http.storage_failures import failure_of, is_disk_full
from api.pages.rendering import page
from shared.errors import EighthTurnError

__all__ = ["PageRoute"]

_log = structlog.get_logger("eighth_turn")


class PageRoute(APIRoute):
    """A route that answers with a page whatever happens; what nobody foresaw goes on to the application's handler."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The route's handler, its failures told as pages."""
        inner = super().get_route_handler()

        async def handler(request: Request) -> Response:
            try:
                return await inner(request)
            except EighthTurnError as error:
                status, title = status_of(error)
                return _problem(status, title, told(error))
            except RefusedError as error:
                return _problem(422, "The form cannot be used", error.errors)
            except RequestValidationError as error:
                return _problem(422, "The address cannot be used", [refusal(e) for e in error.errors()[:20]])
            except HTTPException as error:
                return _problem(error.status_code, str(error.detail), [])
            except (DBAPIError, PoolTimeoutError) as error:
                return _unstored(request, error)
            except OSError as error:
                if not is_disk_full(error):
                    raise
                return _unstored(request, error)

        return handler


def _unstored(request: Request, error: Exception) -> Response:
    failure = failure_of(error, request.method)
    _log.error("database_failed", error=type(error).__name__, kind=failure.kind)
    request.app.state.figures.failure(failure.kind)
    response = _problem(failure.status, f"{failure.title}. {failure.detail}", [])
    response.headers.update(failure.headers)
    return response


def _problem(status: int, title: str, errors: list[FieldError]) -> Response:
    return page("problem.html", status, title=title, errors=errors)
