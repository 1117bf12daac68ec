"""All routers of the pages."""

from taperwise.api.web import (
    adjustments,
    adviser,
    assets,
    checklist,
    explained,
    help_pages,
    history,
    installations,
    next_step,
    papers,
    pictures,
    pool_comparison,
    runs,
    set_up,
    settings,
    sign_in,
    trace_preview,
    whatif,
)

__all__ = ["ROUTERS"]

ROUTERS = (
    assets.router,
    adviser.router,
    installations.router,
    papers.router,
    next_step.router,
    checklist.router,
    runs.router,
    trace_preview.router,
    adjustments.router,
    history.router,
    whatif.router,
    pictures.router,
    set_up.router,
    settings.router,
    sign_in.router,
    pool_comparison.router,
    explained.router,
    help_pages.router,
)
