"""How every picture looks: black on white, told apart by shape and dash, so that a printer without ink colours does."""

import base64
from dataclasses import dataclass
from typing import Any

import altair as alt
import pandas as pd
import vl_convert

from taperwise.api.presentation.digits import sign_now

__all__ = ["BLACK", "GREY", "LIGHT", "Picture", "band", "frame", "svg_of", "texts"]

BLACK, GREY, LIGHT = "#000000", "#6b6b6b", "#d9d9d9"
_WIDTH, _HEIGHT = 320, 230


@dataclass(frozen=True)
class Picture:
    """A picture and the same in words.

    Parameters
    ----------
    name : str
        In addresses and file names.
    title : str
    sentence : str
        What is to be seen in it.
    header, rows : tuple
        The figures it is drawn from, as a table.
    svg : str
    """

    name: str
    title: str
    sentence: str
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    svg: str

    @property
    def source(self) -> str:
        """The picture as a page holds it: nothing to ask for a second time, and in every copy of the page."""
        return "data:image/svg+xml;base64," + base64.b64encode(self.svg.encode()).decode()


def frame(rows: list[dict[str, Any]], *columns: str) -> pd.DataFrame:
    """Rows as a table that keeps its columns when it is empty."""
    return pd.DataFrame(rows, columns=list(columns) or None)


def band(low: float, high: float) -> alt.Chart:
    """A level strip for what is right: light grey between two thin lines."""
    strip = alt.Chart(frame([{"low": low, "high": high}])).mark_rect(color=LIGHT, stroke=GREY, strokeWidth=0.6)
    drawn: alt.Chart = strip.encode(y="low:Q", y2="high:Q")
    return drawn


def texts(rows: list[dict[str, Any]], **options: Any) -> alt.Chart:
    """Words at places of the data: rows of x, y, words."""
    words: alt.Chart = (
        alt.Chart(frame(rows, "x", "y", "words"))
        .mark_text(fontSize=11, **options)
        .encode(x="x:Q", y="y:Q", text="words:N")
    )
    return words


def svg_of(chart: Any, title: str, height: int = _HEIGHT) -> str:
    """The picture as SVG, drawn here and now.

    Parameters
    ----------
    chart : altair chart
        Layers.
    title : str
        Broken into lines where it is long.
    """
    drawn = (
        chart.properties(
            width=_WIDTH,
            height=height,
            title=alt.TitleParams(_lines(title), anchor="start", fontSize=13, color=BLACK, offset=8),
        )
        .configure(background="white", font="DejaVu Sans, sans-serif", padding=8)
        .configure_axis(
            labelFontSize=11, titleFontSize=12, titleFontWeight="normal", labelColor=BLACK, titleColor=BLACK,
            gridColor="#eeeeee", domainColor=BLACK, tickColor=BLACK,
        )
        .configure_legend(
            labelFontSize=11, titleFontSize=11, orient="bottom", labelColor=BLACK, titleColor=BLACK, columns=2,
        )
        .configure_view(stroke=None)
    )  # fmt: skip
    return str(vl_convert.vegalite_to_svg(drawn.to_dict(), format_locale=_axes()))


def _axes() -> dict[str, Any]:
    """Figures of axes as d3 writes them, with the reader's decimal sign and no groups."""
    return {"decimal": sign_now(), "thousands": "", "grouping": [3], "currency": ["", ""]}


def _lines(title: str, most: int = 44) -> list[str]:
    lines = [""]
    for word in title.split():
        if len(lines[-1]) + len(word) + 1 > most:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
