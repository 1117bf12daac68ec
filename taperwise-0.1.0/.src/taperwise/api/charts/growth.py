"""How the confidence grew, run by run."""

from typing import Any

import altair as alt

from taperwise.api.charts.data import LookedBack
from taperwise.api.charts.style import BLACK, GREY, Picture, frame, svg_of
from taperwise.api.presentation.formatting import STAGES, chance, percent
from taperwise.api.presentation.formatting import runs as counted

__all__ = ["draw"]

_LINES = {"full throttle": [1, 0], "idle mixture": [6, 3], "idle speed": [2, 2], "both mixtures": [1, 0]}


def draw(runs: tuple[LookedBack, ...], needed: float) -> Picture:
    """A line for each stage and a thick one for both mixtures together."""
    rows: list[dict[str, Any]] = []
    for r in runs:
        found = {STAGES.get(name, "both mixtures"): x for name, x in r.chances.items()}
        rows += [{"run": r.number, "what": what, "chance": 100 * x} for what, x in found.items()]
    names = list(_LINES)
    x = alt.X("run:O", title="run", axis=alt.Axis(labelAngle=0, grid=False))
    lines = alt.Chart(frame(rows, "run", "what", "chance")).encode(
        x=x,
        y=alt.Y("chance:Q", title="chance of being in target [%]", scale=alt.Scale(domain=[0, 100])),
        strokeDash=alt.StrokeDash("what:N", title=None, scale=alt.Scale(domain=names, range=list(_LINES.values()))),
        color=alt.Color("what:N", title=None, scale=alt.Scale(domain=names, range=[GREY, GREY, GREY, BLACK])),
        strokeWidth=alt.StrokeWidth("what:N", title=None, scale=alt.Scale(domain=names, range=[1.5, 1.5, 1.5, 3.2])),
    )  # fmt: skip
    points = alt.Chart(frame(rows, "run", "what", "chance")).mark_point(filled=True, size=22, color=BLACK, opacity=1)
    points = points.encode(x=x, y="chance:Q")
    rule = alt.Chart(frame([{"y": 100 * needed}])).mark_rule(color=BLACK, strokeDash=[1, 3]).encode(y="y:Q")
    title = f"Chance of being in target, run by run. A stage is confirmed from {chance(needed)}"
    last = runs[-1].chances if runs else None
    by_run: dict[int, dict[str, str]] = {}
    for row in rows:
        by_run.setdefault(row["run"], {})[row["what"]] = percent(row["chance"] / 100)
    return Picture(
        "growth",
        title,
        "There is no run yet."
        if last is None
        else f"After {counted(len(runs))}: {chance(last['both'])} chance that both mixtures are in target.",
        ("run", *names),
        tuple((str(run), *(found.get(name, "–") for name in names)) for run, found in by_run.items()),
        svg_of(lines.mark_line() + points + rule, title),
    )
