"""Meters: instruments that read one positive quantity of the engine at full throttle, full rich.

What both sides know of them: the name a reading goes by, its kind of quantity, and words. What one would show is a
matter of the model (`taperwise.model.physics.meters`). A further one is added by a row here and a rule there; record,
evidence, sampler, prediction, form, table and sheet follow.
"""

from dataclasses import dataclass

from taperwise.shared.errors import InvalidValueError
from taperwise.shared.units import KINDS

__all__ = ["Meter", "add", "meters"]


@dataclass(frozen=True)
class Meter:
    """A meter as both sides speak of it.

    Parameters
    ----------
    name : str
        Of its reading, on the wire and in the log: an identifier.
    kind : str
        Key of `taperwise.shared.units.KINDS`; the quantity is positive.
    words : str
        What it reads, as a sheet or a sentence calls it.
    label : str
        What it reads, as a form asks for it.
    hint : str
        What to know before typing it; may be empty.
    """

    name: str
    kind: str
    words: str
    label: str
    hint: str = ""

    @property
    def description(self) -> str:
        """Label and hint in one sentence or two."""
        return f"{self.label}. {self.hint}".strip()


_METERS: dict[str, Meter] = {}


def add(meter: Meter) -> None:
    """Make a meter known, once in a process and before anything is read with it.

    Raises
    ------
    InvalidValueError
        If its name is taken or no identifier, or its kind unknown.
    """
    if meter.name in _METERS or not meter.name.isidentifier():
        raise InvalidValueError(
            "The name of this meter is taken, or is not an identifier",
            field="name",
            value=meter.name,
            cure="Choose another.",
        )
    if meter.kind not in KINDS:
        raise InvalidValueError(
            "This kind of quantity is unknown", field="kind", value=meter.kind,
            cure=f"Add it to the kinds in shared/units.py, or take one of {', '.join(KINDS)}.",
        )  # fmt: skip
    _METERS[meter.name] = meter


def meters() -> tuple[Meter, ...]:
    """All that are known, in the order in which they were added."""
    return tuple(_METERS.values())


add(
    Meter(
        "lambda_full_rich", "lambda", "lambda", "Lambda at full throttle, full rich",
        "Unleaded fuel only.",
    )
)  # fmt: skip
add(Meter("fuel_flow", "fuel_flow", "fuel flow", "Fuel flow at full throttle, full rich"))
