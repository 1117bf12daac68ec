"""Possible turns to target and ideal slopes, beside the target."""

import altair as alt
import numpy as np

from taperwise.api.charts.style import BLACK, GREY, LIGHT, Picture, frame, svg_of, texts
from taperwise.api.presentation.digits import number
from taperwise.api.presentation.formatting import about, chance, sign
from taperwise.api.schemas.units import Units
from taperwise.model.prediction.chart_data import Around
from taperwise.shared.units import from_si

__all__ = ["draw"]

_SHOWN = 300


def draw(around: Around, units: Units) -> Picture:
    """Three hundred draws as dots; inside the outlined target both mixtures are right."""
    unit = "steps" if around.in_steps else sign(units.taper)

    def taper(x: float) -> float:
        return x if around.in_steps else from_si("taper", x, units.taper)

    step = max(1, len(around.offset_turns) // _SHOWN)
    dots = [
        {"x": float(x), "y": taper(float(y)), "said": _SAID[0] if r else _SAID[1]}
        for x, y, r in zip(around.offset_turns[::step], around.taper_misfit[::step], around.right[::step], strict=True)
    ]
    corners = [{"x": x, "y": taper(y), "order": i} for i, (x, y) in enumerate(around.corners())]
    outline = frame([*corners, {**corners[0], "order": 4}])
    x = alt.X("x:Q", title="turns to target [turns, + richer]", axis=alt.Axis(tickCount=6))
    y = alt.Y("y:Q", title=f"ideal needle [{unit}, + steeper]")
    target = alt.Chart(outline).mark_line(color=BLACK, strokeWidth=2, fill=LIGHT, fillOpacity=0.8).encode(
        x=x, y=y, order="order:O"
    )  # fmt: skip
    cloud = alt.Chart(frame(dots, "x", "y", "said")).mark_point(size=16, strokeWidth=0.9).encode(
        x=x,
        y=y,
        color=alt.Color("said:N", title=None, scale=alt.Scale(domain=list(_SAID), range=[BLACK, GREY])),
        fill=alt.Fill("said:N", title=None, scale=alt.Scale(domain=list(_SAID), range=[BLACK, "white"])),
    )  # fmt: skip
    here = texts([{"x": 0.0, "y": 0.0, "words": "+"}], fontWeight="bold", color=BLACK)
    title = "Each dot is a possible state of this engine. In the outlined area both mixtures are in target"
    quantiles = (0.05, 0.5, 0.95)
    offset = np.quantile(around.offset_turns, quantiles)
    misfit = [taper(float(v)) for v in np.quantile(around.taper_misfit, quantiles)]
    return Picture(
        "target",
        title,
        f"{chance(float(np.mean(around.right)))} chance that both mixtures are in target. Turns to target: "
        f"{about(float(offset[1]))}. Ideal needle: {number(abs(misfit[1]), '.2g')} {unit} "
        f"{'steeper' if misfit[1] > 0 else 'shallower'}.",
        ("what", "low (1 in 20)", "middle", "high (1 in 20)"),
        (
            ("turns to target [turns, + richer]", *(number(float(v), "+z.2f") for v in offset)),
            (f"ideal needle [{unit}, + steeper]", *(number(float(v), "+z.2f") for v in misfit)),
        ),
        svg_of(target + cloud + here, title),
    )


_SAID = ("both mixtures in target", "not in target")
