"""The figures of the explanations, drawn from the model itself; `taperwise explain` makes them anew."""

import csv
from importlib.resources import files
from typing import Any

import altair as alt
import numpy as np

from taperwise.api.charts.style import BLACK, GREY, LIGHT, band, frame, svg_of, texts
from taperwise.api.files.installation import installation_from
from taperwise.model.physics.needle_set import needle_set
from taperwise.model.prediction.prior_median_engine import believed_rises, both_ends
from taperwise.shared.records import Installation
from taperwise.shared.units import from_si

__all__ = ["FIGURES", "RUNS", "Learned", "read_learned"]

RUNS = (1, 3, 10)
"""Numbers of runs after which it is shown what they taught."""

Learned = dict[str, tuple[float, ...]]
"""By unknown the share of its prior variance that is gone after so many runs."""


def read_learned() -> Learned:
    """What `taperwise explain --learn` measured last."""
    text = files("taperwise.api.explained").joinpath("learned.csv").read_text(encoding="utf-8")
    _, *rows = csv.reader(text.splitlines())
    return {name: tuple(float(x) for x in shares) for name, *shares in rows}


def _installation() -> Installation:
    return installation_from(None).record()


def _degrees(kelvin: float) -> float:
    return from_si("temperature_rise", kelvin, "delta_degF")


def rise() -> str:
    """Rise to peak over mixture: forty engines from the prior, the middling one, and the band."""
    installation = _installation()
    phi = np.linspace(0.9, 1.35, 46)
    many, one = believed_rises(installation, phi, 40)
    rows = [
        {"phi": p, "rise": _degrees(k), "engine": i}
        for i, curve in enumerate(many)
        for p, k in zip(phi, curve, strict=True)
    ]
    low, high = (_degrees(k) for k in installation.targets.rise_kelvin)
    y = alt.Y("rise:Q", title="EGT rise on leaning [°F]", scale=alt.Scale(domain=[-150, 400], clamp=True))
    x = alt.X("phi:Q", title="mixture (1 = at peak EGT)", scale=alt.Scale(domain=[0.9, 1.35]))
    thin = alt.Chart(frame(rows)).mark_line(strokeWidth=0.6, color=GREY, opacity=0.6, clip=True)
    middle = [{"phi": p, "rise": _degrees(k)} for p, k in zip(phi, one, strict=True)]
    thick = alt.Chart(frame(middle)).mark_line(strokeWidth=2.6, color=BLACK, clip=True).encode(x=x, y=y)
    drawn = band(low, high) + thin.encode(x=x, y=y, detail="engine:N") + thick
    return svg_of(drawn, "The EGT rise shows the mixture: 40 possible engines. The grey strip is the target range")


_DASHES = ([1, 0], [6, 3], [2, 2])


def two_ends() -> str:
    """Both mixtures along a screw's turns, for three needles; the patch is right at both ends."""
    installation = _installation()
    ordered, slopes = installation.shallow_to_steep, needle_set(installation).slopes
    shown = [ordered[0], ordered[len(ordered) // 2], ordered[-1]]
    turns = [i / 8 for i in range(-8, 9)]
    rows: list[dict[str, Any]] = []
    for needle in shown:
        found = both_ends(installation, needle.label, turns)
        name = f"{1000 * slopes[needle.label]:g} mm/m"
        rows += [
            {"full": f, "idle": i, "needle": name, "turns": t}
            for f, i, t in zip(found.full, found.idle, turns, strict=True)
        ]
    patch = {"f0": found.full_band[0], "f1": found.full_band[1], "i0": found.idle_band[0], "i1": found.idle_band[1]}
    x = alt.X("full:Q", title="mixture at full throttle", scale=alt.Scale(zero=False))
    y = alt.Y("idle:Q", title="mixture at idle", scale=alt.Scale(zero=False))
    names = [f"{1000 * slopes[n.label]:g} mm/m" for n in shown]
    dash = alt.StrokeDash("needle:N", title="taper slope", scale=alt.Scale(domain=names, range=list(_DASHES)))
    base = alt.Chart(frame(rows)).encode(x=x, y=y)
    right = (
        alt.Chart(frame([patch])).mark_rect(color=LIGHT, stroke=GREY).encode(x="f0:Q", x2="f1:Q", y="i0:Q", y2="i1:Q")
    )
    lines = base.mark_line(color=BLACK).encode(strokeDash=dash, order="turns:Q")
    dots = base.mark_point(filled=True, color=BLACK, size=16, opacity=1).encode(detail="needle:N")
    marks = [{"x": r["full"], "y": r["idle"], "words": "mark"} for r in rows if r["turns"] == 0]
    words = texts(marks, align="left", dx=5, dy=9)
    return svg_of(
        right + lines + dots + words,
        "A turn moves along a line, another needle is another line. Each dot is 1/8 turn",
        260,
    )


def learned() -> str:
    """What 1, 3 and 10 runs teach of each unknown."""
    shares = read_learned()
    order = sorted(shares, key=lambda n: -shares[n][-1])
    rows = [
        {"unknown": n.replace("_", " "), "runs": f"{r} {'run' if r == 1 else 'runs'}", "share": 100 * max(s, 0.0)}
        for n in order
        for r, s in zip(RUNS, shares[n], strict=True)
    ]
    names = [f"{r} {'run' if r == 1 else 'runs'}" for r in RUNS]
    y = alt.Y("unknown:N", title=None, sort=[n.replace("_", " ") for n in order])
    x = alt.X("share:Q", title="share of the prior's variance that is gone [%]", scale=alt.Scale(domain=[0, 100]))
    shape = alt.Shape("runs:N", title=None, scale=alt.Scale(domain=names, range=["circle", "triangle-up", "diamond"]))
    marks = alt.Chart(frame(rows)).mark_point(size=46, color=BLACK, strokeWidth=1.3, opacity=1).encode(x, y, shape)
    return svg_of(marks, "Runs teach the mixtures soon, and the errors of gauge and ear hardly", 430)


FIGURES = {"rise": rise, "two_ends": two_ends, "learned": learned}
"""Figures by name, each drawn by a function of nothing."""
