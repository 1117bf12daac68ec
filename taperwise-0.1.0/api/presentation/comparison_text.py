"""Rows of a comparison of engines: each a name and a value, in the units of the engine."""

from typing import Protocol

from taperwise.api.presentation.chance_text import HAZARD
from taperwise.api.presentation.formatting import STAGES, about, chance, from_mark, moment, quantity, stop
from taperwise.api.presentation.needle_text import needle_words
from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.api.presentation.overview_text import SEVERITIES
from taperwise.api.schemas.installation import InstallationIn
from taperwise.api.schemas.log import EntryOut
from taperwise.api.schemas.quantities import Quantity
from taperwise.api.schemas.recommendation import Position, SuggestionOut
from taperwise.api.schemas.units import Units

__all__ = ["beliefs", "readings", "set_up", "settings", "standing"]

Rows = list[tuple[str, str]]


class _Status(Protocol):
    """What is asked of where an engine stands."""

    @property
    def owner(self) -> str:
        """Name of its owner."""
        ...

    @property
    def severity(self) -> str:
        """Of its most serious flag."""
        ...

    @property
    def runs(self) -> int:
        """Recorded runs."""
        ...

    @property
    def idle_days(self) -> int | None:
        """Days since the latest entry."""
        ...


def standing(status: _Status, flags: list[str]) -> Rows:
    """Owner, attention, runs and days without an entry."""
    return [
        ("Attention", ". ".join([SEVERITIES[status.severity], *flags])),
        ("Owner", status.owner or "–"),
        ("Recorded runs", str(status.runs)),
        ("Days idle", "–" if status.idle_days is None else str(status.idle_days)),
    ]


def settings(position: Position) -> Rows:
    """Where needle holder and idle stop stand now."""
    return [
        ("Installed needle", position.fitted_needle),
        ("Holder position", from_mark(position.turns)),
        ("Idle stop screw", f"{stop(position.idle_stop_turns)} since the log began"),
    ]


def readings(latest: EntryOut | None, units: Units) -> Rows:
    """Everything that the latest run shows; its corrections hold."""
    if latest is None:
        return [("Time", "No run yet")]
    corrected = latest.corrections[-1].run if latest.corrections else None
    run = corrected or latest.run
    if run is None:
        return [("Time", moment(latest.time))]

    def said(q: Quantity) -> str:
        return quantity(units.put(q))

    found = [("Time", moment(latest.time)), ("Air temperature", said(run.air_temperature))]
    for name, value in (("Pressure", run.pressure), ("Altimeter setting", run.altimeter_setting)):
        if value is not None:
            found.append((name, said(value)))
    lines = (each.line(run, said) for each in OBSERVATIONS)
    return found + [(f"{line[0][0].upper()}{line[0][1:]}", line[1]) for line in lines if line is not None]


def beliefs(answer: SuggestionOut | None, *, stopped: bool) -> Rows:
    """What is believed of the present setting; no direction while the engine is stopped."""
    if answer is None:
        return [("Stage", "Being calculated")]
    c = answer.confidence
    found = [
        ("Stage", STAGES[answer.stage].capitalize()),
        ("Both mixtures in target", chance(c.both)),
        ("Full throttle in target", chance(c.full_throttle.chance_in_band)),
        ("Idle mixture in target", chance(c.idle_mixture.chance_in_band)),
        (HAZARD, chance(c.lean_chance)),
    ]
    if stopped or c.offset is None:
        return [*found, ("Next step", "Stopped until the cause is recorded")]
    finish = answer.runs_to_finish
    return [
        *found,
        ("Turns to target", about(c.offset.median)),
        ("Expected runs to finish", "–" if finish is None else f"{finish.expected:.0f}"),
        ("Next step", answer.action.instruction),
    ]


def set_up(sent: InstallationIn) -> Rows:
    """Needles, fuel, field, engine and targets."""
    shown = sent.in_preferred_units()
    body, targets = shown.throttle_body, shown.targets
    needles = ", ".join(f"{each.label} ({needle_words(shown, each.label)})" for each in shown.needles)
    return [
        ("Your needles", needles),
        ("Fuel", shown.fuel.replace("_", " ")),
        ("Elevation", "–" if shown.elevation is None else quantity(shown.elevation)),
        ("Displacement", quantity(shown.engine.displacement)),
        ("Cylinders", str(shown.engine.cylinders)),
        ("Slide travel", quantity(body.slide_stroke)),
        ("Needle movement per turn", quantity(body.screw_pitch)),
        ("EGT rise in target", f"{quantity(targets.rise.low)} to {quantity(targets.rise.high)}"),
        ("Idle speed in target", f"{quantity(targets.idle_rpm.low)} to {quantity(targets.idle_rpm.high)}"),
    ]
