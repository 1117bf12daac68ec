"""The mixture along the slide's travel, from idle to full throttle."""

from typing import Any

import altair as alt

from taperwise.api.charts.style import BLACK, Picture, frame, svg_of, texts
from taperwise.api.presentation.digits import number
from taperwise.api.presentation.formatting import sign
from taperwise.api.schemas.units import Units
from taperwise.model.prediction.chart_data import Along
from taperwise.shared.units import from_si

__all__ = ["draw"]


def draw(along: Along, units: Units) -> Picture:
    """Median with 50 % and 90 % ranges; brackets at both ends show what is right there."""
    unit = sign(units.length)
    travel = [from_si("length", float(x), units.length) for x in along.travel_m]
    rows = [
        {"x": x, "low": m.low_90, "low50": m.low_50, "mid": m.median, "high50": m.high_50, "high": m.high_90}
        for x, m in zip(travel, along.mixture, strict=True)
    ]
    base = alt.Chart(frame(rows))
    x = alt.X("x:Q", title=f"slide opening [{unit}]", scale=alt.Scale(nice=False, domain=[0, travel[-1] * 1.03]))
    lowest = min(0.94, *(row["low"] for row in rows)) - 0.01
    highest = max(*(row["high"] for row in rows), along.idle_band[1], along.full_band[1]) + 0.03
    scale = alt.Scale(domain=[lowest, highest], zero=False, nice=False)
    y = alt.Y("low:Q", title="mixture (1 = at peak EGT)", scale=scale)
    wide = base.mark_area(color="#dddddd").encode(x=x, y=y, y2="high:Q")
    narrow = base.mark_area(color="#aaaaaa").encode(x=x, y="low50:Q", y2="high50:Q")
    middle = base.mark_line(color=BLACK, strokeWidth=2).encode(x=x, y="mid:Q")
    peak = alt.Chart(frame([{"y": 1.0}])).mark_rule(strokeDash=[5, 4], color=BLACK).encode(y="y:Q")
    ends = (("idle", travel[0], along.idle_band), ("full throttle", travel[-1], along.full_band))
    brackets = alt.Chart(frame([{"x": at, "low": b[0], "high": b[1]} for _, at, b in ends])).mark_bar(
        size=10, color="white", stroke=BLACK, strokeWidth=2, fillOpacity=0.0
    ).encode(x="x:Q", y="low:Q", y2="high:Q")  # fmt: skip
    words: Any = texts(
        [{"x": travel[0], "y": along.idle_band[1], "words": "idle: target range"}], align="left", dx=8, dy=-6
    )
    words += texts(
        [{"x": travel[-1], "y": along.full_band[1], "words": "full throttle: target range"}],
        align="right",
        dx=-2,
        dy=-10,
    )
    words += texts([{"x": travel[-1], "y": 1.0, "words": "peak EGT (leaner below)"}], align="right", dx=-4, dy=11)
    title = "Mixture along the slide’s travel. Boxes at its ends: target ranges"
    shown = (0, len(rows) // 4, len(rows) // 2, 3 * len(rows) // 4, len(rows) - 1)
    return Picture(
        "travel",
        title,
        f"Idle mixture: {_figure(along.mixture[0].median)} times that of peak EGT (target range "
        f"{_figure(along.idle_band[0])} to {_figure(along.idle_band[1])}). Full throttle: "
        f"{_figure(along.mixture[-1].median)} times that of peak EGT (target range {_figure(along.full_band[0])} to "
        f"{_figure(along.full_band[1])}). No run measures the mixture between the ends, so the "
        "range is wide there.",
        (f"slide opening [{unit}]", "low (1 in 20)", "middle", "high (1 in 20)"),
        tuple(
            (number(rows[i]["x"], ".3g"), *(_figure(rows[i][name]) for name in ("low", "mid", "high"))) for i in shown
        ),
        svg_of(wide + narrow + middle + peak + brackets + words, title),
    )


def _figure(mixture: float) -> str:
    return number(mixture, ".2f")
