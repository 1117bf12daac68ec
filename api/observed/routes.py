"""Where Prometheus asks."""

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST

from api.access.roles import Rule, may
from api.observed.figures import Figures

__all__ = ["router"]

router = APIRouter(tags=["health"])


@router.get(
    "/metrics",
    **may(Rule.ADMINISTERS),
    response_class=Response,
    responses={200: {"content": {"text/plain": {}}}},
    summary="Figures for Prometheus",
)
def metrics(request: Request) -> Response:
    """Requests, updates, what the sampler met, answers that wait, failures."""
    figures: Figures = request.app.state.figures
    return Response(figures.told(), headers={"Content-Type": CONTENT_TYPE_LATEST})
