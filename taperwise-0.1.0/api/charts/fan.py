"""The present setting in thinner and in denser air."""

from typing import Any

import altair as alt

from taperwise.api.charts.style import BLACK, Picture, band, frame, svg_of, texts
from taperwise.api.presentation.chance_text import HAZARD_SHORT
from taperwise.api.presentation.formatting import chance, sign
from taperwise.api.schemas.units import Units
from taperwise.shared.recommendation import AirOutlook, Holding
from taperwise.shared.units import from_si

__all__ = ["draw"]


def draw(holding: Holding, target_kelvin: tuple[float, float], units: Units) -> Picture:
    """Rise to peak over density altitude, 50 % and 90 %; a hot day high up and a cold one low down are marked."""
    unit, far = sign(units.temperature_rise), sign(units.elevation)

    def to(kelvin: float) -> float:
        return from_si("temperature_rise", kelvin, units.temperature_rise)

    def altitude(air: AirOutlook) -> float:
        return from_si("density_altitude", air.density_altitude_m, units.elevation)

    rows: list[dict[str, Any]] = [
        {
            "x": altitude(a),
            "low": to(a.rise_kelvin.low_90), "low50": to(a.rise_kelvin.low_50), "mid": to(a.rise_kelvin.median),
            "high50": to(a.rise_kelvin.high_50), "high": to(a.rise_kelvin.high_90),
        }
        for a in holding.fan
    ]  # fmt: skip
    base = alt.Chart(frame(rows))
    x = alt.X("x:Q", title=f"density altitude [{far}]", scale=alt.Scale(nice=False), axis=alt.Axis(tickCount=6))
    y = alt.Y("low:Q", title=f"EGT rise [{unit}]")
    strip = band(to(target_kelvin[0]), to(target_kelvin[1]))
    wide = base.mark_area(color="#999999", opacity=0.35).encode(x=x, y=y, y2="high:Q")
    narrow = base.mark_area(color="#666666", opacity=0.45).encode(x=x, y="low50:Q", y2="high50:Q")
    middle = base.mark_line(color=BLACK, strokeWidth=2).encode(x=x, y="mid:Q")
    ends = (("cold, low", holding.cold_low), ("hot, high", holding.hot_high))
    marked = [{"x": altitude(a), "y": to(a.rise_kelvin.median), "words": name} for name, a in ends]
    rules = alt.Chart(frame(marked)).mark_rule(strokeDash=[4, 3], color=BLACK).encode(x="x:Q")
    dots = alt.Chart(frame(marked)).mark_point(size=60, filled=True, color=BLACK, opacity=1).encode(x="x:Q", y="y:Q")
    top = max(row["high"] for row in rows)
    raised = [{**m, "y": top} for m in marked]
    words = texts(raised[:1], align="left", dx=5) + texts(raised[1:], align="right", dx=-5)
    title = "EGT rise in other air. The grey strip is the target range"
    return Picture(
        "fan",
        title,
        " ".join(
            f"On a {day} day (density altitude {altitude(a):.0f} {far}): {chance(a.chance_full_throttle)} chance that "
            f"full throttle is in target. Danger: {chance(a.lean_chance)} chance of running lean of peak."
            for day, a in (("hot, high", holding.hot_high), ("cold, low", holding.cold_low))
        ),
        (
            f"density altitude [{far}]",
            f"EGT rise [{unit}]",
            "9 times in 10",
            "both mixtures in target",
            HAZARD_SHORT,
        ),
        tuple(
            (
                f"{altitude(a):.0f}",
                f"{to(a.rise_kelvin.median):.0f}",
                f"{to(a.rise_kelvin.low_90):.0f} to {to(a.rise_kelvin.high_90):.0f}",
                chance(a.chance_both),
                chance(a.lean_chance),
            )
            for a in (*holding.fan[::4], holding.hot_high, holding.cold_low)
        ),
        svg_of(strip + wide + narrow + middle + rules + dots + words, title),
    )
