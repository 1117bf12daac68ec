"""All routers of the pages."""

from taperwise.api.web import (
    adjustments,
    adviser,
    assets,
    checklist,
    compare,
    explained,
    help_pages,
    history,
    installations,
    next_step,
    notes,
    papers,
    pictures,
    pool_comparison,
    runs,
    settings,
    sign_in,
    whatif,
)

__all__ = ["ROUTERS"]

ROUTERS = (
    assets.router,
    adviser.router,
    compare.router,
    installations.router,
    papers.router,
    next_step.router,
    notes.router,
    checklist.router,
    runs.router,
    adjustments.router,
    history.router,
    whatif.router,
    pictures.router,
    settings.router,
    sign_in.router,
    pool_comparison.router,
    explained.router,
    help_pages.router,
)
