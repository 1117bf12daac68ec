"""Every run's EGT rise beside the one predicted for it."""

from typing import Any

import altair as alt

from taperwise.api.charts.data import LookedBack
from taperwise.api.charts.style import BLACK, GREY, Picture, band, frame, svg_of
from taperwise.api.presentation.formatting import runs as counted
from taperwise.api.presentation.formatting import sign
from taperwise.api.schemas.units import Units
from taperwise.shared.runs import RiseSeen
from taperwise.shared.units import from_si

__all__ = ["draw"]

_SHAPES = ["diamond", "triangle-down", "cross"]
_SEEN = {
    RiseSeen.PEAK: "rise read",
    RiseSeen.FELL_AT_ONCE: "fell at once",
    RiseSeen.ROUGH_BEFORE_PEAK: "rough before a peak",
}


def draw(runs: tuple[LookedBack, ...], target_kelvin: tuple[float, float], units: Units) -> Picture:
    """Bars for what was foretold (50 % and 90 %), a mark for what was seen; the strip is the band aimed at."""
    unit = sign(units.temperature_rise)

    def to(kelvin: float) -> float:
        return from_si("temperature_rise", kelvin, units.temperature_rise)

    foretold: list[dict[str, Any]] = [
        {
            "run": r.number,
            "low": to(r.foretold.rise_kelvin.low_90), "low50": to(r.foretold.rise_kelvin.low_50),
            "mid": to(r.foretold.rise_kelvin.median),
            "high50": to(r.foretold.rise_kelvin.high_50), "high": to(r.foretold.rise_kelvin.high_90),
        }
        for r in runs
        if r.foretold is not None
    ]  # fmt: skip
    seen: list[dict[str, Any]] = [
        {"run": r.number, "seen": to(r.run.rise.kelvin), "how": _SEEN[r.run.rise.seen]}
        for r in runs
        if r.run.rise is not None
    ]
    x = alt.X("run:O", title="run", axis=alt.Axis(labelAngle=0, grid=False))
    # a first run may show anything: what is drawn ends where readings do, or nothing else could be told apart
    top = 1.35 * max([to(target_kelvin[1]), *(s["seen"] for s in seen), *(f["high50"] for f in foretold)])
    scale = alt.Scale(domain=[0, top], clamp=True, nice=True)
    told = alt.Chart(frame(foretold, "run", "low", "low50", "mid", "high50", "high"))
    title_y = f"EGT rise [{unit}]"
    wide = told.mark_bar(size=5, color=GREY).encode(x=x, y=alt.Y("low:Q", title=title_y, scale=scale), y2="high:Q")
    narrow = told.mark_bar(size=13, color="#bbbbbb", stroke=GREY).encode(
        x=x, y=alt.Y("low50:Q", scale=scale), y2="high50:Q"
    )
    seen_here = alt.Chart(frame(seen, "run", "seen", "how"))
    marks = seen_here.mark_point(size=90, filled=True, color=BLACK, opacity=1).encode(
        x=x,
        y=alt.Y("seen:Q", scale=scale),
        shape=alt.Shape("how:N", title=None, scale=alt.Scale(domain=list(_SEEN.values()), range=_SHAPES)),
    )  # fmt: skip
    strip = band(to(target_kelvin[0]), to(target_kelvin[1]))
    title = "Each run beside its prediction. Bars hold 5 and 9 readings in 10"
    inside = sum(f["low"] <= s["seen"] <= f["high"] for f in foretold for s in seen if f["run"] == s["run"])
    both = sum(f["run"] == s["run"] for f in foretold for s in seen)
    by_run = {f["run"]: f for f in foretold}
    return Picture(
        "runs",
        title,
        f"{counted(both)} with an EGT rise: {inside} in the range predicted for 9 in 10. The grey strip is the target "
        f"range, {to(target_kelvin[0]):.0f} to {to(target_kelvin[1]):.0f} {unit}.",
        ("run", "seen", "predicted", "9 times in 10"),
        tuple(
            (
                str(s["run"]),
                f"{s['seen']:.0f} {unit}" if s["how"] == "rise read" else s["how"],
                f"{by_run[s['run']]['mid']:.0f}" if s["run"] in by_run else "–",
                f"{by_run[s['run']]['low']:.0f} to {by_run[s['run']]['high']:.0f}" if s["run"] in by_run else "–",
            )
            for s in seen
        ),
        svg_of(strip + wide + narrow + marks, title),
    )
