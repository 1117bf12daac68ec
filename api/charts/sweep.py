"""A leaning sweep with its reading."""

from typing import Any

import altair as alt
import numpy as np

from taperwise.api.charts.style import BLACK, Picture, frame, svg_of, texts
from taperwise.api.presentation.formatting import sign
from taperwise.api.schemas.units import Units
from taperwise.api.traces.columns import Trace
from taperwise.model.traces.cylinders import CylinderReadings
from taperwise.shared.units import from_si

__all__ = ["draw"]

_MOST = 300
_WORDS = {"peak": "peak", "fell_at_once": "fell at once", "not_passed": "not leaned past its peak"}


def draw(trace: Trace, found: CylinderReadings, units: Units, run: int) -> Picture:
    """Samples of every cylinder in grey, the leanest one in black with its fit, and the gas at its peak."""
    unit, rise_unit = sign(units.exhaust_temperature), sign(units.temperature_rise)
    samples: list[dict[str, Any]] = []
    fits: list[dict[str, Any]] = []
    for name, reading in found.readings.items():
        kelvin = trace.egt_kelvin[name]
        step = max(1, len(kelvin) // _MOST)
        how = "leanest" if name == found.leanest else "others"
        for t, k, f in zip(trace.seconds[::step], kelvin[::step], reading.fit[::step], strict=True):
            if np.isfinite(t) and np.isfinite(k):
                samples.append({"t": float(t), "y": _to(k, units), "cylinder": name, "how": how})
            if np.isfinite(t) and np.isfinite(f):
                fits.append({"t": float(t), "y": _to(f, units), "cylinder": name, "how": how})
    x = alt.X("t:Q", title="time [s]", scale=alt.Scale(zero=False, nice=False))
    y = alt.Y("y:Q", title=f"exhaust gas temperature [{unit}]", scale=alt.Scale(zero=False))
    shade = alt.Color("how:N", title=None, scale=alt.Scale(domain=["leanest", "others"], range=[BLACK, "#a0a0a0"]))
    dots = alt.Chart(frame(samples, "t", "y", "cylinder", "how")).mark_point(size=7, filled=True, opacity=0.8).encode(
        x=x, y=y, color=shade
    )  # fmt: skip
    lines = alt.Chart(frame(fits, "t", "y", "cylinder", "how")).mark_line(strokeWidth=1.4).encode(
        x=x, y="y:Q", detail="cylinder:N", color=shade
    )  # fmt: skip
    reading = found.readings[found.leanest]
    layers = dots + lines
    if reading.seen == "peak":
        peak = reading.peak_seconds
        foot = min((s["y"] for s in samples), default=0.0)
        said = f"peak, rise {from_si('temperature_rise', reading.rise_kelvin, units.temperature_rise):.0f} {rise_unit}"
        layers += alt.Chart(frame([{"x": peak}])).mark_rule(strokeDash=[5, 3], color=BLACK).encode(x="x:Q")
        layers += texts([{"x": peak, "y": foot, "words": said}], align="right", dx=-5, dy=-6)
    title = f"Leaning sweep of run {run}: samples, predicted probe reading, and peak of the gas"
    rows = [
        (
            name + (" (leanest)" if name == found.leanest else ""),
            _WORDS[r.seen],
            "–" if np.isnan(r.rise_kelvin) else _rise(r.rise_kelvin, units),
            "–" if np.isnan(r.error_kelvin) else _rise(r.error_kelvin, units),
        )
        for name, r in found.readings.items()
    ] + [(f.column, "left out", "–", "–") for f in found.findings if f.left_out and f.column not in found.readings]
    return Picture(
        f"sweep-{run}",
        title,
        (
            f"Of {len(found.deciding)} cylinders read, {found.leanest} is the leanest, and counts"
            if len(found.deciding) > 1
            else f"Only {found.leanest} was read"
        )
        + f": {_WORDS[reading.seen]}"
        + (f", EGT rise {_rise(reading.rise_kelvin, units)}." if reading.seen == "peak" else "."),
        ("cylinder", "seen", "EGT rise", "standard error"),
        tuple(rows),
        svg_of(layers, title),
    )


def _to(kelvin: float, units: Units) -> float:
    return from_si("exhaust_temperature", float(kelvin), units.exhaust_temperature)


def _rise(kelvin: float, units: Units) -> str:
    shown = from_si("temperature_rise", kelvin, units.temperature_rise)
    return f"{shown:.0f} {sign(units.temperature_rise)}"
