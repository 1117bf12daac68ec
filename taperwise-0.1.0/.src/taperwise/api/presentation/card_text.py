"""Words of the card and of the forms beside it: short, for one screen."""

from datetime import timedelta

from taperwise.api.presentation.entry_text import adjustment_words
from taperwise.api.presentation.formatting import from_mark, screw, stop
from taperwise.api.presentation.instruction_text import RUN_AT_NEW_SETTING
from taperwise.api.schemas.log import EntryOut
from taperwise.api.schemas.recommendation import ActionOut, RunsToFinishOut
from taperwise.shared.records import ChangeNeedle, TurnIdleStop, TurnScrew

__all__ = [
    "CAUTIONS",
    "MISSING",
    "ago",
    "another_entry",
    "caution",
    "entry_words",
    "more_runs",
    "needle_steps",
    "recorded_words",
    "to_do",
]

CAUTIONS = {
    "hands": "A propeller can kill. Stop the engine and switch the ignition off before you reach in.",
    "lean": "Too lean at full throttle can destroy an engine in seconds. If it runs rough, gets hot or loses rpm: "
    "throttle back.",
    "stop": "Do not run the engine again before the cause is found and the engine’s instructions allow a run.",
    "keep": "This setting holds for the ground runs recorded here. Nothing here is advice for flight.",
}
"""The one caution that matters most for what is done now; all of them stand under the details."""

MISSING = {
    "kind": ("Nothing is chosen", "Choose what you did."),
    "needle": ("No needle is chosen", "Choose the needle you installed."),
    "part": ("No part is chosen", "Choose the part you changed."),
    "turns": ("The size of the turn is missing", "Choose a size, or write one beside “other”."),
    "no_turn": ("This is no turn", "Write the turn like 1/8, 3/16 or 0.125."),
    "way": ("The direction is missing", "Choose which way you turned the hex key."),
    "air_temperature": ("The air temperature is missing", "Enter the air temperature."),
    "pressure": ("The pressure is missing", "Enter the altimeter setting, or the pressure at the field."),
    "elevation": (
        "An altimeter setting needs the elevation of your field",
        "Enter the elevation. Or choose “pressure at the field” above.",
    ),
    "elevation.value": ("The elevation is not a number", "Enter the elevation in figures."),
    "observation": (
        "The run holds no observation",
        "Enter at least one: what EGT did, how the engine idled, a speed, or a meter.",
    ),
    "egt_rich": ("The EGT at full rich is missing", "Enter both temperatures, or the rise alone."),
    "egt_peak": ("The EGT at the peak is missing", "Enter both temperatures, or the rise alone."),
    "egt_order": (
        "The peak is not above full rich",
        "Check both temperatures. If EGT fell from the start, choose “fell at once”.",
    ),
    "meaning": ("It is not said since when", "Choose whether this was always so, or is so since today."),
}
"""What a form lacks, and what to do."""


def caution(action: ActionOut) -> str:
    """The caution that stands on the card of an action."""
    if action.kind == "inspect":
        return CAUTIONS["stop"] if action.cause == "limit_exceeded" else CAUTIONS["hands"]
    return CAUTIONS[{"repeat_run": "lean", "keep": "keep"}.get(action.kind, "hands")]


def to_do(instruction: str, recorded: str) -> str:
    """What to do, as the card says it: what its notice of the last adjustment says already is left out.

    Parameters
    ----------
    recorded : str
        The notice; empty for none.
    """
    return RUN_AT_NEW_SETTING if recorded and instruction.endswith(RUN_AT_NEW_SETTING) else instruction


def more_runs(runs: RunsToFinishOut) -> str:
    """How many more runs are expected, short."""
    expected, low, high = max(1, round(runs.expected)), max(1, runs.low_80), max(1, runs.high_80)
    between = f"{low}" if low == high else f"{low} to {high}"
    return f"About {expected} more {'run' if expected == 1 else 'runs'} ({between})"


def needle_steps(action: ActionOut, turn: str) -> list[tuple[str, str]]:
    """Four steps of a needle change, each with the name of its drawing.

    Parameters
    ----------
    turn : str
        The turn from the mark in words; empty for none.
    """
    way = "richer" if (action.turns_from_mark or 0.0) > 0 else "leaner"
    on = f"Turn the needle holder {turn}: {way} than the mark." if turn else "Do not turn the needle holder."
    return [
        ("stop", "Stop the engine. Switch the ignition off. Undo the locking screw."),
        ("swap", f"Mark needle {action.needle} where you mark all your needles. Install needle {action.needle}."),
        ("edge", "Set the mark at the slide’s edge."),
        ("turn", f"{on} Refit the locking screw. Look for fuel leaks. Then make a run."),
    ]


def entry_words(entry: EntryOut) -> str:
    """An entry in a few words, as a question or a notice names it."""
    if entry.adjustment is not None:
        return adjustment_words(entry.adjustment)
    if entry.run is not None:
        return "a run"
    if entry.set_up is not None:
        return "a change of the set-up"
    return "a cause"


def recorded_words(entry: EntryOut) -> str:
    """The notice of what was just recorded: a turn says itself what was turned."""
    document = None if entry.adjustment is None else entry.adjustment.record()
    if isinstance(document, TurnScrew):
        return screw(document.turns)
    if isinstance(document, TurnIdleStop):
        return f"idle {stop(document.turns)}"
    if isinstance(document, ChangeNeedle):
        return f"needle {document.needle}, holder {from_mark(document.turns_from_mark)}"
    return entry_words(entry)


def another_entry(entry: EntryOut, count: int) -> tuple[str, str]:
    """What is asked where entries were made since the form was opened: what happened, and what to do."""
    more = f" and {count - 1} more" if count > 1 else ""
    return (
        f"Since you opened this page, another entry was recorded: {entry_words(entry)} (entry {entry.sequence}){more}",
        "Press the button again only if you did this once more. Otherwise go to the next step.",
    )


def ago(age: timedelta) -> str:
    """How long ago something was, in words."""
    minutes = max(0, round(age.total_seconds() / 60))
    if minutes < 2:
        return "a minute ago"
    if minutes < 90:
        return f"{minutes} minutes ago"
    return f"{round(minutes / 60)} hours ago"
