"""Names of fields as the forms call them, for errors that stand at the top of a page."""

import re

from taperwise.api.presentation.formatting import with_form_labels
from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.api.presentation.set_up_text import NAMES

__all__ = ["label_of"]

_NEEDLE = re.compile(r"needles\.(\d{1,2})\.(\w+)")
_ENDS = {
    "turns": "Size of the turn",
    "turns_from_mark": "Turns from the mark",
    "way": "Direction",
}
_LABELS = {
    **NAMES,
    **{each.name: each.label or each.words.capitalize() for each in OBSERVATIONS},
    "kind": "What you did",
    "part": "Part",
    "needle": "Needle",
    "needles": "Needles",
    "reason": "Why",
    "cause": "The cause",
    "note": "Note",
    "time": "Time",
    "run": "What you saw",
    "meaning": "Since when",
    "air_temperature": "Air temperature",
    "pressure": "Pressure",
    "altimeter_setting": "Pressure",
    "egt_rise": "What EGT did",
    "egt_rise.seen": "What EGT did",
    "egt_rise.rise": "Rise to the peak",
    "egt_rich": "EGT at full rich",
    "egt_peak": "EGT at the peak",
    "trace": "Logger file",
    "mapping.time": "Heading of the time column",
    "mapping.egt": "Headings of the exhaust columns",
    "mapping.unit": "Unit of the temperatures",
    "mapping.time_unit": "Unit of the times",
    "mapping.decimal": "Sign before the decimals",
    "mapping.date_order": "Order of the dates",
    "photos": "Photos",
}


def label_of(field: str) -> str:
    """What a form calls a field.

    Examples
    --------
    >>> label_of("air_temperature.value"), label_of("needles.1.taper_slope"), label_of("turn_screw.way")
    ('Air temperature', 'Needle 2, taper slope', 'Direction')
    >>> label_of("mapping.unit"), label_of("egt_rich.unit")
    ('Unit of the temperatures', 'EGT at full rich')
    """
    field = field if field in _LABELS else re.sub(r"\.(value|unit)$", "", field)
    if field in _LABELS:
        return _LABELS[field]
    row = _NEEDLE.fullmatch(field)
    if row:
        return f"Needle {int(row[1]) + 1}, {row[2].replace('_', ' ')}"
    return _ENDS.get(field.rpartition(".")[2]) or with_form_labels(field)
