"""The application, put together."""

import uuid
from collections.abc import AsyncIterator, Awaitable, Callable
from contextlib import asynccontextmanager

import structlog
from fastapi import FastAPI, Request, Response

from api import __version__, health, words
from api.advice import routes as advice
from api.advice.desk import Adviser, Desk
from api.database import Database
from api.http import bodies, openapi_page, problems
from api.installations import routes as installations
from api.jobs.worker import Worker
from api.log import routes as log
from api.notes import routes as notes
from api.pages import own_forms
from api.pages.routers import ROUTERS as PAGES
from api.pages.working import Work
from api.papers import routes as papers
from api.pictures.gallery import Gallery
from api.pool import routes as pool
from api.pool import start_routes as start
from api.pool.release import checked_floor, real_fitter
from api.settings import Settings

__all__ = ["create_app", "real_adviser"]

_DESCRIPTION = (
    "Record ground runs of an engine on a slide-type throttle body; read the smallest useful mixture adjustment to "
    "make next and how sure the present setting is. On the ground only: nothing here is advice for flight, and the "
    "engine's and airframe's instructions, local rules and licensed people come first."
)
_log = structlog.get_logger("eighth_turn")


def real_adviser(seed: int) -> Adviser:
    """The model's own adviser; loading it is put off until it is called."""
    from model.advisor import Advisor

    return Advisor(seed)


def create_app(settings: Settings, make_adviser: Callable[[int], Adviser] = real_adviser) -> FastAPI:
    """The application with its database migrated.

    Parameters
    ----------
    settings : Settings
    make_adviser : callable
        Makes the adviser from a seed; loading it is put off until it is needed.
    """
    database = Database(settings.url)
    database.migrate()

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        app.state.worker.stop()
        app.state.work.close()
        database.close()

    app = FastAPI(
        title="Eighth Turn", version=__version__, description=_DESCRIPTION, docs_url=None, redoc_url=None,
        lifespan=lifespan,
    )  # fmt: skip
    app.state.database = database
    app.state.desk = Desk(make_adviser, settings.seed, settings.remembered)
    app.state.pool_floor = checked_floor(settings.pool_floor)
    app.state.fitter = real_fitter
    app.state.gallery = Gallery(app.state.desk)
    app.state.work = Work()
    app.state.worker = Worker(database, app.state.desk)
    app.add_middleware(bodies.StrictBodies, max_bytes=settings.max_body_bytes, but_under=own_forms.FORMS_UNDER)
    app.add_middleware(own_forms.OwnForms, max_bytes=settings.max_body_bytes)
    app.middleware("http")(_with_request_id)
    problems.install(app)
    served = (
        installations.router, papers.router, start.router, log.router, advice.router, notes.router, pool.router,
        words.router, health.router, openapi_page.router, *PAGES,
    )  # fmt: skip
    for router in served:
        app.include_router(router)
    return app


async def _with_request_id(request: Request, call_next: Callable[[Request], Awaitable[Response]]) -> Response:
    request_id = request.state.request_id = uuid.uuid4().hex
    with structlog.contextvars.bound_contextvars(request_id=request_id):
        response = await call_next(request)
        _log.info("request", method=request.method, path=request.url.path, status=response.status_code)
    response.headers["X-Request-ID"] = request_id
    response.headers["X-Content-Type-Options"] = "nosniff"
    return response
