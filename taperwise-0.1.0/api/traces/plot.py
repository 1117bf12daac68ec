"""A picture of a sweep with its reading, drawn on this machine."""

from pathlib import Path
from typing import Any

import altair as alt
import numpy as np
import pandas as pd

from taperwise.api.traces.columns import Trace
from taperwise.model.traces.cylinders import CylinderReadings
from taperwise.shared.errors import InvalidValueError

__all__ = ["draw"]


def _rows(trace: Trace, sweeps: list[CylinderReadings]) -> list[dict[str, Any]]:
    rows = []
    for name, kelvin in trace.egt_kelvin.items():
        fit = np.full(len(kelvin), np.nan)
        for found in sweeps:
            if name in found.readings:
                fit = np.where(np.isfinite(found.readings[name].fit), found.readings[name].fit, fit)
        step = max(1, len(kelvin) // 1500)
        for t, x, f in zip(trace.seconds[::step], kelvin[::step], fit[::step], strict=True):
            if np.isfinite(t) and np.isfinite(x):
                row = {"seconds": float(t), "degf": 1.8 * float(x) - 459.67, "column": name}
                rows.append(row | {"fit": 1.8 * float(f) - 459.67 if np.isfinite(f) else None})
    return rows


def draw(trace: Trace, sweeps: list[CylinderReadings], path: Path) -> None:
    """Draw samples, fit and peak of every cylinder in every sweep to an SVG or PNG file.

    Raises
    ------
    InvalidValueError
        If the file's ending is neither.
    """
    if path.suffix not in (".svg", ".png"):
        raise InvalidValueError(
            "A picture must be SVG or PNG",
            field="--plot",
            value=path.name,
            cure="Give a file name that ends in .svg or .png.",
        )
    data = pd.DataFrame(_rows(trace, sweeps))
    x = alt.X("seconds:Q", title="time [s]")
    scale = alt.Scale(zero=False)
    samples = alt.Chart(data).mark_point(size=9, color="#777", filled=True).encode(
        x=x, y=alt.Y("degf:Q", title="exhaust gas temperature [°F]", scale=scale)
    )  # fmt: skip
    fit = alt.Chart(data).mark_line(color="black", strokeWidth=1.6).encode(x=x, y=alt.Y("fit:Q", scale=scale))
    marks = [
        {"seconds": r.peak_seconds, "column": name, "words": f"peak, rise {1.8 * r.rise_kelvin:.0f} °F"}
        for found in sweeps
        for name, r in found.readings.items()
        if r.seen == "peak"
    ]
    marked = pd.DataFrame(marks, columns=["seconds", "column", "words"])
    rules = alt.Chart(marked).mark_rule(strokeDash=[5, 3]).encode(x="seconds:Q")
    words = alt.Chart(marked).mark_text(align="left", dx=4, dy=-10, y="height").encode(x="seconds:Q", text="words:N")
    title = "A leaning sweep: samples, predicted probe reading, and peak of the gas"
    layers = (samples, fit, rules, words)
    charts = [
        alt.layer(*(layer.transform_filter(alt.datum.column == name) for layer in layers)).properties(
            width=620, height=200, title=name
        )
        for name in trace.egt_kelvin
    ]
    alt.vconcat(*charts).properties(title=title).save(str(path))
