"""What would be read from a logger's file: its first rows, what each column is taken for, and the rise of every sweep.

For whoever is about to send the file. Nothing is stored, and nothing is refused but a file that is no table.
"""

from dataclasses import dataclass, replace

import numpy as np

from taperwise.api.schemas.run import ColumnMapping
from taperwise.api.schemas.units import Units
from taperwise.api.traces.columns import roles_of, trace_of, unit_of
from taperwise.api.traces.csv_table import Column, read_rows, read_table
from taperwise.api.traces.reading import summary
from taperwise.model.traces.cylinders import CylinderReadings
from taperwise.shared.errors import InvalidValueError

__all__ = ["ColumnSeen", "Preview", "preview"]

_ROWS = 8


@dataclass(frozen=True)
class ColumnSeen:
    """What a column is taken for.

    Parameters
    ----------
    heading : str
        As the file has it.
    kind : str
        ``time``, ``egt``, ``cht``, a name of `taperwise.api.traces.columns.CHANNELS`, or ``unused``.
    unit : str
        As it was taken: a unit's name, or empty where the kind has one alone.
    reason : str
        Why a column that looks like a channel is not used; else empty.
    """

    heading: str
    kind: str
    unit: str = ""
    reason: str = ""


@dataclass(frozen=True)
class Preview:
    """What would be read.

    Parameters
    ----------
    rows : list of list of str
        The first rows below the headings, as text.
    columns : list of ColumnSeen
        One for each heading. All are ``unused`` where the file cannot be read as it is.
    count : int
        Rows of the file.
    seconds : float or None
        From the first sample to the last [s].
    sweeps : list of CylinderReadings
        What would be read; empty where nothing would.
    refusal : InvalidValueError or None
        What would be refused. Its `field` names the field of the mapping that decides, where one does.
    """

    rows: list[list[str]]
    columns: list[ColumnSeen]
    count: int
    seconds: float | None = None
    sweeps: tuple[CylinderReadings, ...] = ()
    refusal: InvalidValueError | None = None


def preview(text: str, mapping: ColumnMapping | None = None, units: Units | None = None) -> Preview:
    """What would be read from a file's text.

    Parameters
    ----------
    text : str
        As `taperwise.api.traces.file_text.text_of` gives it.
    mapping : ColumnMapping, optional
    units : Units, optional
        In which a refusal says its figures.

    Raises
    ------
    InvalidValueError
        If the file is no table of headings and rows.
    """
    mapping = mapping or ColumnMapping()
    table = read_rows(text)
    first = [[row[k] if k < len(row) else "" for k in range(len(table.names))] for _, row in table.body[:_ROWS]]
    found = Preview(first, [ColumnSeen(name, "unused") for name in table.names], len(table.body))
    try:
        found = replace(
            found, columns=_seen(table.names, read_table(text, mapping.decimal, mapping.date_order), mapping)
        )
        trace = trace_of(text, mapping)
        found = replace(found, seconds=float(np.ptp(trace.seconds[np.isfinite(trace.seconds)])))
        return replace(found, sweeps=tuple(summary(trace, units or Units())))
    except InvalidValueError as refused:
        return replace(found, refusal=refused)


def _seen(names: list[str], columns: list[Column], mapping: ColumnMapping) -> list[ColumnSeen]:
    roles = roles_of(columns, mapping)
    kinds = {id(c): "egt" for c in roles.exhaust} | {id(c): "cht" for c in roles.heads} | {id(roles.time): "time"}
    kinds |= {id(c): name for name, c in roles.channels.items()}
    reasons = {id(c): why for c, why in roles.unused}
    left = iter(columns)
    seen = []
    for name in names:
        column = next(left) if name else None
        kind = kinds.get(id(column), "unused")
        unit = "" if column is None else unit_of(column, kind, mapping)
        seen.append(ColumnSeen(name, kind, unit, reasons.get(id(column), "")))
    return seen
