"""Routes of papers: a parcel out and in, the table, the draws for a statistician."""

from typing import Annotated

from fastapi import APIRouter, Body, Query, Response
from fastapi.openapi.models import Example
from sqlalchemy.orm import Session

from taperwise.api.accounts.authorization import Asker, InstallationId
from taperwise.api.core.dependencies import Db, ReadingUnit
from taperwise.api.core.idempotency import Made, OncePosted
from taperwise.api.core.problems import NOT_READY, responses
from taperwise.api.core.roles import Rule, requires
from taperwise.api.exports import archive, netcdf, table
from taperwise.api.exports.archive import Archive, Contents
from taperwise.api.exports.table import Format
from taperwise.api.installations import repository as installations
from taperwise.api.installations.routes import made
from taperwise.api.installations.stored import as_stored
from taperwise.api.log import service
from taperwise.api.recommendations.service import AdviceDesk
from taperwise.api.schemas.log import InstallationOut

__all__ = ["router"]

router = APIRouter(prefix="/api/v1/installations", tags=["papers"])

_SMALLEST = Contents.model_validate(
    {
        "created_at": "2026-05-01T10:30:00Z",
        "installation": {"needles": [{"label": "A", "taper_slope": {"value": 30.0, "unit": "mm/m"}}]},
        "entries": [],
        "notes": [],
    }
)
_EXAMPLES: dict[str, Example] = {
    "smallest": {
        "summary": "An installation without any entry",
        "value": archive.sealed(_SMALLEST).model_dump(mode="json"),
    },
}


@router.post(
    "/import",
    **requires(Rule.SETS_UP),
    status_code=201,
    response_model=InstallationOut,
    responses=responses(400, 409, 413, 415, 422, 503, 507),
    summary="Import an engine",
)
def unpack(sent: Annotated[Archive, Body(openapi_examples=_EXAMPLES)], asker: Asker, once: OncePosted) -> Response:
    """Imports an export file as a new engine with everything in it."""

    def deed(unit: Session) -> Made:
        return made(installations.get(unit, archive.unpack(unit, sent, asker.person_id)))

    return once.do(deed).response()


@router.get(
    "/{installation_id}/export",
    **requires(Rule.SEES),
    responses=responses(404, 422, 503),
    summary="Export an engine",
)
def export(installation_id: InstallationId, unit: ReadingUnit) -> Archive:
    """Exports everything about the engine as one file."""
    with as_stored("installation", installation_id):
        return archive.pack(unit, installation_id)


@router.get(
    "/{installation_id}/table",
    **requires(Rule.SEES),
    response_class=Response,
    responses={
        **responses(404, 422, 503),
        200: {"content": {"text/csv": {}, "application/vnd.apache.parquet": {}}},
    },
    summary="The log as a table",
)
def log_table(
    installation_id: InstallationId,
    unit: ReadingUnit,
    form: Annotated[Format, Query(alias="format", description="`csv` or `parquet`.")] = "csv",
) -> Response:
    """One row an entry, in the preferred units. The last column and the header `Row-Count` hold the number of rows.
    `Repr-Digest` holds the SHA-256 of the file.
    """
    return table.response(unit, installation_id, form)


@router.get(
    "/{installation_id}/draws",
    **requires(Rule.SEES),
    response_class=Response,
    responses={**responses(404, 422, 503), **NOT_READY, 200: {"content": {"application/x-netcdf": {}}}},
    summary="Posterior draws",
)
def posterior(installation_id: InstallationId, database: Db, desk: AdviceDesk) -> Response:
    """All draws as netCDF in the layout of ArviZ, with units, model version and seed.

    Groups: the posterior, the prior, what each predicts, the log likelihood of every reading, the sampler's statistics,
    the readings and the settings.
    """
    with database.reading() as session:
        log = service.load(session, installation_id)
    return Response(
        netcdf.netcdf(desk.posterior(log)),
        media_type="application/x-netcdf",
        headers={"Content-Disposition": f'attachment; filename="installation-{installation_id}.nc"'},
    )
