"""The application, put together."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from datetime import datetime

from fastapi import Depends, FastAPI
from fastapi.routing import APIRoute
from starlette.middleware.gzip import GZipMiddleware

from taperwise.api import __version__
from taperwise.api.accounts import audit
from taperwise.api.accounts import routes as accounts
from taperwise.api.accounts.authentication import Authentication, Limiter
from taperwise.api.accounts.authorization import authorize
from taperwise.api.accounts.phones import Phones
from taperwise.api.background import stale_answers
from taperwise.api.background.worker import Worker
from taperwise.api.charts.data import ChartData
from taperwise.api.core import json_body, openapi_page, problems
from taperwise.api.core.admission import Admission, Arrivals, admit
from taperwise.api.core.conditional import Conditional
from taperwise.api.core.database import Database
from taperwise.api.core.dependencies import known_parameters
from taperwise.api.core.settings import Settings
from taperwise.api.exports import routes as exports
from taperwise.api.installations import routes as installations
from taperwise.api.log import photo_routes, set_up_routes
from taperwise.api.log import routes as log
from taperwise.api.notes import routes as notes
from taperwise.api.observability import routes as observability
from taperwise.api.observability.metrics import Metrics
from taperwise.api.observability.request_logging import RequestLogging
from taperwise.api.observability.tracing import Spans, spans_asked_for
from taperwise.api.ownership import routes as ownership
from taperwise.api.pooling import routes as pooling
from taperwise.api.pooling import starting_point_routes as starting_point
from taperwise.api.pooling.release import checked_floor
from taperwise.api.recommendations import events, overview_routes
from taperwise.api.recommendations import routes as recommendations
from taperwise.api.recommendations.factory import make_recommender
from taperwise.api.recommendations.recommender_protocol import RecommenderProtocol
from taperwise.api.recommendations.service import RecommendationService
from taperwise.api.web import csrf, problem_pages
from taperwise.api.web.background_calls import BackgroundCalls
from taperwise.api.web.problem_pages import crowded, sign_in_first
from taperwise.api.web.routers import ROUTERS as PAGES

__all__ = ["create_app"]

_DESCRIPTION = (
    "Record ground runs of an engine on a slide-type throttle body. Read the next step: the smallest useful mixture "
    "adjustment. Work on the ground only: nothing here is advice for flight. The instructions of engine and airframe, "
    "local rules and licensed people come first.\n\n"
    "Versions: within /api/v1 fields and operations are added, never removed or changed in meaning. Clients should "
    "ignore fields they do not know. A change that would break clients comes as /api/v2. Then v1 stays for 12 months "
    "at least. An operation that will go carries the headers `Deprecation` (RFC 9745) and `Sunset` (RFC 8594) until "
    "then.\n\n"
    "Reading again: each answer to GET carries an `ETag`. Send it as `If-None-Match`: 304 means that nothing changed. "
    "Send it as `If-Match` with an edit: 412 means that it was changed since, and that nothing was stored. "
    "HEAD is answered wherever GET is. Unknown query parameters are refused."
)
_SERVED = (
    installations.router, set_up_routes.router, exports.router, starting_point.router, log.router, photo_routes.router,
    recommendations.router, events.router, overview_routes.router, notes.router, pooling.router, accounts.router,
    ownership.router, log.words, observability.router, openapi_page.router,
)  # fmt: skip
_GATE = [Depends(admit, scope="function"), Depends(authorize), Depends(known_parameters)]
"""What stands before every route."""


def create_app(
    settings: Settings,
    make_adviser: Callable[[int], RecommenderProtocol] = make_recommender,
    spans: Spans | None = None,
    at_end: Callable[[], None] = lambda: None,
) -> FastAPI:
    """The application with its database migrated.

    Parameters
    ----------
    settings : Settings
    make_adviser : callable
        Makes the adviser from a seed; loading it is put off until it is needed.
    spans : Spans, optional
        As the environment asks for if left out.
    at_end : callable
        Called when the service is told to end, before what it does is finished.
    """
    database = Database(settings.url)
    database.migrate()
    spans = spans_asked_for() if spans is None else spans

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        at_end()
        app.state.desk.patience.end()
        app.state.worker.stop()
        app.state.work.close()
        app.state.desk.patience.close()
        spans.close()
        database.close()

    app = FastAPI(
        title="Taperwise", version=__version__, description=_DESCRIPTION, docs_url=None, redoc_url=None,
        lifespan=lifespan, dependencies=_GATE, generate_unique_id_function=_operation_id,
    )  # fmt: skip
    database.watchers.append(audit.watch)
    app.state.database, app.state.settings = database, settings
    app.state.admission = Admission()
    app.state.streams = events.Streams()
    app.state.phones = Phones() if settings.access == "phone" else None
    app.state.sign_ins = Limiter(settings.sign_ins_a_minute)
    app.state.figures = Metrics(lambda: _waiting(database, settings.seed))
    app.state.desk = RecommendationService(make_adviser, settings.seed, app.state.figures, spans, settings.wait_seconds)
    app.state.pool_floor = checked_floor(settings.pool_floor)
    app.state.gallery = ChartData(app.state.desk, database)
    app.state.work = BackgroundCalls(app.state.desk.patience)
    app.state.worker = Worker(database, app.state.desk)
    app.state.desk.later = app.state.worker.ask
    _add_middleware(app, settings, spans)
    problems.install(app, settings.access == "keys")
    problem_pages.install(app)
    for router in (*_SERVED, *PAGES):
        app.include_router(router)
    return app


def _add_middleware(app: FastAPI, settings: Settings, spans: Spans) -> None:
    """From the inside to the outside; it needs what `app.state` holds."""
    app.add_middleware(Conditional, under="/api/v1/")
    app.add_middleware(
        json_body.StrictBodies, max_bytes=settings.max_body_bytes, but_under=csrf.FORMS_UNDER,
        large_at=("/api/v1/installations/import",),
    )  # fmt: skip
    app.add_middleware(csrf.OwnForms, max_bytes=settings.max_body_bytes)
    app.add_middleware(
        Authentication, database=app.state.database, with_keys=settings.access == "keys", encrypted=settings.encrypted,
        a_minute=settings.requests_a_minute, phones=app.state.phones, page=sign_in_first,
    )  # fmt: skip
    app.add_middleware(GZipMiddleware, minimum_size=1000)
    app.add_middleware(RequestLogging, figures=app.state.figures, spans=spans)
    app.add_middleware(Arrivals, admission=app.state.admission, at_once=("/healthz",), refused=crowded)


def _operation_id(route: APIRoute) -> str:
    """A short name for generated clients: the group and the function, as in ``log_run``."""
    group = str(route.tags[0]) if route.tags else "page"
    return route.name if route.name.startswith(group) else f"{group}_{route.name}"


def _waiting(database: Database, seed: int) -> tuple[int, datetime | None]:
    """How many answers wait, and since when."""
    with database.reading() as session:
        return stale_answers.queue_stats(session, seed)
