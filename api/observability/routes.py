"""Where Prometheus asks."""

from fastapi import APIRouter, Request, Response
from prometheus_client import CONTENT_TYPE_LATEST

from taperwise.api.core.roles import Rule, requires
from taperwise.api.observability.metrics import Metrics

__all__ = ["router"]

router = APIRouter(tags=["health"])


@router.get(
    "/metrics",
    **requires(Rule.ADMINISTERS),
    response_class=Response,
    responses={200: {"content": {"text/plain": {}}}},
    summary="Figures for Prometheus",
)
def metrics(request: Request) -> Response:
    """Requests, updates, what the sampler met, answers that wait, failures."""
    figures: Metrics = request.app.state.figures
    return Response(figures.told(), headers={"Content-Type": CONTENT_TYPE_LATEST})
