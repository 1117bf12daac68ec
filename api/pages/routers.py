"""All routers of the pages."""

from api.pages import (
    adjustments,
    adviser,
    assets,
    before,
    explained,
    history,
    installations,
    next_step,
    papers,
    pictures,
    runs,
    settings,
    sign_in,
    similar,
    whatif,
)

__all__ = ["ROUTERS"]

ROUTERS = (
    assets.router,
    adviser.router,
    installations.router,
    papers.router,
    next_step.router,
    before.router,
    runs.router,
    adjustments.router,
    history.router,
    whatif.router,
    pictures.router,
    settings.router,
    sign_in.router,
    similar.router,
    explained.router,
)
