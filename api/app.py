"""The application, put together."""

from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager

from fastapi import Depends, FastAPI

from api import __version__, health, words
from api.access import changes
from api.access import routes as access
from api.access.door import Door, Limiter
from api.access.gate import admit
from api.advice import routes as advice
from api.advice.adviser import Adviser
from api.advice.desk import Desk
from api.advice.real_adviser import real_adviser
from api.belongings import routes as belongings
from api.database import Database
from api.http import bodies, openapi_page, problems
from api.installations import routes as installations
from api.jobs.worker import Worker
from api.log import routes as log
from api.notes import routes as notes
from api.observed import routes as observed
from api.observed.figures import Figures
from api.observed.spans import Spans, spans_asked_for
from api.observed.watching import Watched
from api.once import InFlight
from api.pages import own_forms
from api.pages.problem_pages import sign_in_first
from api.pages.routers import ROUTERS as PAGES
from api.pages.working import Work
from api.papers import routes as papers
from api.pictures.gallery import Gallery
from api.pool import routes as pool
from api.pool import start_routes as start
from api.pool.release import checked_floor, real_fitter
from api.settings import Settings

__all__ = ["create_app"]

_DESCRIPTION = (
    "Record ground runs of an engine on a slide-type throttle body; read the smallest useful mixture adjustment to "
    "make next and how sure the present setting is. On the ground only: nothing here is advice for flight, and the "
    "engine's and airframe's instructions, local rules and licensed people come first."
)


def create_app(
    settings: Settings, make_adviser: Callable[[int], Adviser] = real_adviser, spans: Spans | None = None
) -> FastAPI:
    """The application with its database migrated.

    Parameters
    ----------
    settings : Settings
    make_adviser : callable
        Makes the adviser from a seed; loading it is put off until it is needed.
    spans : Spans, optional
        As the environment asks for if left out.
    """
    database = Database(settings.url)
    database.migrate()
    spans = spans_asked_for() if spans is None else spans

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        app.state.worker.stop()
        app.state.work.close()
        spans.close()
        database.close()

    app = FastAPI(
        title="Eighth Turn", version=__version__, description=_DESCRIPTION, docs_url=None, redoc_url=None,
        lifespan=lifespan, dependencies=[Depends(admit)],
    )  # fmt: skip
    database.watchers.append(changes.watch)
    app.state.database = database
    app.state.in_flight = InFlight()
    app.state.settings = settings
    app.state.sign_ins = Limiter(settings.sign_ins_a_minute)
    app.state.figures = Figures(database, settings.seed)
    app.state.desk = Desk(make_adviser, settings.seed, app.state.figures, spans)
    app.state.pool_floor = checked_floor(settings.pool_floor)
    app.state.fitter = real_fitter
    app.state.gallery = Gallery(app.state.desk, database)
    app.state.work = Work()
    app.state.worker = Worker(database, app.state.desk)
    app.add_middleware(
        bodies.StrictBodies, max_bytes=settings.max_body_bytes, but_under=own_forms.FORMS_UNDER,
        large_at=("/api/v1/installations/import",),
    )  # fmt: skip
    app.add_middleware(own_forms.OwnForms, max_bytes=settings.max_body_bytes)
    app.add_middleware(
        Door, database=database, with_keys=settings.access == "keys", encrypted=settings.encrypted,
        a_minute=settings.requests_a_minute, page=sign_in_first,
    )  # fmt: skip
    app.add_middleware(Watched, figures=app.state.figures, spans=spans)
    problems.install(app, settings.access == "keys")
    served = (
        installations.router, papers.router, start.router, log.router, advice.router, notes.router, pool.router,
        access.router, belongings.router, words.router, health.router, observed.router, openapi_page.router, *PAGES,
    )  # fmt: skip
    for router in served:
        app.include_router(router)
    return app
