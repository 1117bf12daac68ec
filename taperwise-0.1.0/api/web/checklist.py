"""Before the run: what to look at, once when rigging and before every start."""

from dataclasses import dataclass

from fastapi import APIRouter, Response

from taperwise.api.accounts.authorization import InstallationId
from taperwise.api.core.dependencies import Db
from taperwise.api.core.roles import Rule, requires
from taperwise.api.log import service
from taperwise.api.web.next_step import name_of
from taperwise.api.web.problem_pages import PageRoute
from taperwise.api.web.rendering import page

__all__ = ["CHECKS", "Check", "router"]

router = APIRouter(include_in_schema=False, route_class=PageRoute, prefix="/installations/{installation_id}")


@dataclass(frozen=True)
class Check:
    """One thing to look at: what, and how it should be."""

    what: str
    right: str


CHECKS: dict[str, tuple[Check, ...]] = {
    "Rigging, with the engine stopped and the ignition off": (
        Check(
            "Throttle travel", "The lever moves the slide from its idle stop to fully open and back, without catching."
        ),
        Check("Which way opens", "The lever opens the throttle the way its label tells. Look at the slide."),
        Check("Return", "A disconnected or broken throttle goes where the maker’s instructions say."),
        Check("Mixture control", "The lever reaches both stops: full rich, and idle cut-off."),
        Check(
            "Needle",
            "The mark stands at the slide’s edge, or as many turns away as the log says.",
        ),
        Check(
            "Locking screw",
            "Loosened to turn the holder. Tightened and secured before every start.",
        ),
        Check("Idle stop", "The slide rests on the idle stop screw, not on the cable."),
    ),
    "Before every start": (
        Check(
            "Tied down", "Tail tied to something that will not move, wheels chocked, brakes held, nose into the wind."
        ),
        Check("Propeller", "Nobody beside the engine or in the propeller’s plane. No loose stones on the ground."),
        Check("Fire", "An extinguisher is at hand, outside the propeller’s arc, and everyone knows who uses it."),
        Check("Fuel", "No leak, no smell, no wet joint. Vents open, enough fuel."),
        Check("Protection", "Ears and eyes covered. A signal to stop is agreed on."),
        Check(
            "Temperatures", "Oil and cylinder heads warm enough for full throttle, as the engine’s instructions say."
        ),
    ),
    "During and after": (
        Check(
            "Limits", "A helper watches head, oil and exhaust temperature. Rough, hot or losing speed: throttle back."
        ),
        Check("Briefly", "Full throttle only as long as the leaning takes."),
        Check("Cool down", "Let the engine idle, then cool between runs, as the engine’s instructions say."),
        Check("Hands", "Engine stopped and ignition off before a hand goes near holder, idle stop or propeller."),
    ),
}
"""Common practice, no published source; the makers' instructions come before it."""


@router.get("/before", **requires(Rule.SEES))
def checklist(installation_id: InstallationId, database: Db) -> Response:
    """The checklist; nothing of it is stored, and nothing depends on it."""
    with database.reading() as session:
        log = service.load(session, installation_id)
    return page(
        "before.html", number=installation_id, name=name_of(log), here="/before", heading="Before the run",
        checks=CHECKS, body=log.sent.throttle_body,
    )  # fmt: skip
