"""What went wrong, as a page with the same status and words as the JSON API's problem document."""

import json
from collections.abc import Callable, Coroutine
from typing import Any
from urllib.parse import quote

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import RedirectResponse
from fastapi.routing import APIRoute
from sqlalchemy.exc import DBAPIError
from sqlalchemy.exc import TimeoutError as PoolTimeoutError
from starlette.exceptions import HTTPException

from taperwise.api.accounts.authentication import SIGN_IN
from taperwise.api.core.dependencies import number_in
from taperwise.api.core.problems import http_failure, refused, retry_after, status_of, storage_failure, unforeseen
from taperwise.api.core.storage_failures import is_disk_full
from taperwise.api.core.validation import RefusedError, field_errors
from taperwise.api.core.validation_errors import FieldError, refusal
from taperwise.api.presentation.decimal_sign import of_languages
from taperwise.api.presentation.digits import read_with
from taperwise.api.web.rendering import page
from taperwise.api.web.stop_here import at_engine
from taperwise.shared.errors import BusyError, NotReadyError, TaperwiseError, UnknownCallerError

__all__ = ["PageRoute", "crowded", "install", "sign_in_first"]

_NOWHERE = "No such page"


class PageRoute(APIRoute):
    """A route that answers with a page whatever happens; what nobody foresaw goes on to the application's handler.

    Its figures have the decimal sign of the language that a browser asks for.
    """

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The route's handler, its failures told as pages."""
        inner = super().get_route_handler()

        async def handler(request: Request) -> Response:
            with read_with(of_languages(request.headers.get("accept-language", ""))):
                response = await told(request)
            if response.headers.get("content-type", "").startswith(("text/html", "application/pdf")):
                response.headers.add_vary_header("Accept-Language")
            return response

        async def told(request: Request) -> Response:
            try:
                with at_engine(request.app.state.database, number_in(request.path_params.get("installation_id"))):
                    return await inner(request)
            except UnknownCallerError:
                return _first_sign_in(request)
            except TaperwiseError as error:
                return _ours(error, again=request.method == "GET" and isinstance(error, NotReadyError))
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


def install(app: FastAPI) -> None:
    """Tell a browser as a page what no route told it: an address that leads nowhere, and what nobody foresaw."""
    app.add_exception_handler(HTTPException, _nowhere)
    app.add_exception_handler(Exception, _failed)


async def _nowhere(request: Request, error: Exception) -> Response:
    answer = await http_failure(request, error)
    if answer.status_code == 404 and _shown_by_browser(request):
        told = FieldError(
            field="",
            value=request.url.path,
            message="There is nothing at this address",
            cure="Begin at the list of engines.",
        )
        return _problem(404, _NOWHERE, [told])
    return answer


async def _failed(request: Request, error: Exception) -> Response:
    answer = await unforeseen(request, error)
    if not _shown_by_browser(request):
        return answer
    told = str(json.loads(bytes(answer.body))["detail"])
    response = _problem(500, told.rstrip("."), [])
    response.headers["X-Request-ID"] = answer.headers["X-Request-ID"]
    return response


def _shown_by_browser(request: Request) -> bool:
    return not request.url.path.startswith("/api/") and "text/html" in request.headers.get("accept", "")


async def crowded(request: Request, error: BusyError) -> Response:
    """The answer to a request that is not let in, as JSON or as a page; counted, and not logged one by one."""
    request.app.state.figures.failure("crowded")
    if request.url.path.startswith("/api/"):
        return await refused(request, error)
    return _ours(error)


def _ours(error: TaperwiseError, *, again: bool = False) -> Response:
    """The error's own status and words; `again` if the page will be there in a moment."""
    status, title = status_of(error)
    response = _problem(status, "Not calculated yet" if again else title, field_errors(error), again=again)
    response.headers.update(retry_after(error))
    return response


def _first_sign_in(request: Request) -> Response:
    """To the sign-in and back; a form is told so where it stands, because it is not recorded."""
    to = f"{SIGN_IN}?next={quote(request.url.path)}"
    if request.headers.get("hx-request"):
        return Response(headers={"HX-Redirect": to})
    return RedirectResponse(to, 303) if request.method == "GET" else sign_in_first()


def sign_in_first() -> Response:
    """The answer to a form of nobody known: nothing was stored, and what was typed is kept by the page."""
    one = FieldError(
        field="", value="", message="Nothing was saved, because you are not signed in",
        cure="Sign in, go back and send the form again. Your entries are still there.",
    )  # fmt: skip
    return page("problem.html", 401, title="Sign in first", errors=[one])


def _unstored(request: Request, error: Exception) -> Response:
    failure = storage_failure(request, error)
    response = _problem(failure.status, f"{failure.title}. {failure.detail}", [])
    response.headers.update(failure.headers)
    return response


def _problem(status: int, title: str, errors: list[FieldError], *, again: bool = False) -> Response:
    return page("problem.html", status, title=title, errors=errors, again=again)
