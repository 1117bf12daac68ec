"""What a logger file showed beside the rise, in sentences; none of them asks for more leaning at full throttle."""

from collections.abc import Iterable
from dataclasses import asdict

from taperwise.api.presentation.cautions import LEAN
from taperwise.api.presentation.digits import number
from taperwise.api.presentation.formatting import shown
from taperwise.api.schemas.findings import FindingOut
from taperwise.api.schemas.units import Units
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.findings import Finding, FindingCode

__all__ = ["NO_FINDING_OPEN", "finding_out", "no_usable_probe", "not_passed", "not_settled", "sentence"]

NO_FINDING_OPEN = "No finding from a logger file was open. Your entry was saved."


_WORDS = {
    FindingCode.NO_SIGNAL: "The column has too few usable temperatures. Check the probe’s plug and wiring.",
    FindingCode.INTERMITTENT: "The signal drops out ({number} times). Check the probe’s plug and wiring.",
    FindingCode.COLD: "The column never shows more than {level}. Exhaust gas at full throttle is hotter than "
    "{usual_level}. Check that the probe sits in the exhaust pipe, and that the column is an EGT.",
    FindingCode.LOW: "The column shows about {level} where the others show {usual_level}. Check its unit, its plug and "
    "the probe’s wiring.",
    FindingCode.FLAT: "The column shows no response to leaning ({rise} in all). Check the probe and its plug.",
    FindingCode.DRIFTS: "The column changed by {rise}, but not as leaning does. Check the probe and its plug.",
    FindingCode.REPEATS: "The column repeats {other} sample by sample. Check how the logger’s channels are wired.",
    FindingCode.FOLLOWS: "The column follows {other}, but changes only {percent}\u00a0% as much. Check that the probe "
    "sits in the exhaust pipe.",
    FindingCode.SLOW: "The column peaks {number} s after the others, but rises less. Check the probe’s seat, and look "
    "for soot or a thicker probe.",
    FindingCode.LATE: "The column rose by {rise} without a peak. The others rose by {usual_rise} and passed theirs. "
    "Check that the probe sits in the exhaust pipe. Do not lean further.",
    FindingCode.DEPARTS: "{column} differs from the other cylinders: its rise is {rise}, and the middle of all is "
    "{usual_rise}. Check its probe first, then look for an induction leak.",
    FindingCode.POOR_FIT: "{column} does not move as a leaning sweep does: it scatters by {rise} around the fit. Its "
    "rise may be off. Check its probe.",
    FindingCode.HELD_AT_SHOWN: "{column}: the fit gave a smaller rise than the samples show. The rise was set to "
    "{rise}, the least in the samples.",
    FindingCode.PEAK_UNSURE: "{column}: the temperature turned as the mixture was made rich again. The peak may not "
    "have been passed, and the rise may be more than {rise}. Do not lean further to find out.",
    FindingCode.UNSURE: "{column}: its rise of {rise} may be off by {usual_rise}. In your next sweep, hold full rich "
    "for 20 seconds before and after, and go back to rich quickly. That shows how slow the probe is.",
    FindingCode.THROTTLE_MOVED: "Manifold pressure changed during the sweep. The throttle seems to have moved, so the "
    "rise may be off.",
    FindingCode.SEVERAL_SWEEPS: "The logger file has {number} sweeps. The last one counts.",
    FindingCode.NOT_PLAUSIBLE: "{column} of the logger file is not plausible ({value}) and was left out. Check "
    "its unit.",
    FindingCode.NOT_USED: "Column {column} was not used: {other}.",
}


def finding_out(finding: Finding, entry: int, units: Units) -> FindingOut:
    """A finding of a run, with its words in an installation's units."""
    return FindingOut(**asdict(finding), entry=entry, left_out=finding.left_out, words=sentence(finding, units))


def sentence(f: Finding, units: Units) -> str:
    """What was found, what it means for the reading, and what to do."""
    figure, usual = f.figure or 0.0, f.usual or 0.0
    words = _WORDS[f.code].format(
        column=f.column.replace("_", " ") if f.code is FindingCode.NOT_PLAUSIBLE else f.column,
        other=f.other,
        number=f"{figure:.0f}",
        percent=f"{100 * figure:.0f}",
        value=number(figure, ".4g"),
        rise=shown("temperature_rise", figure, units.temperature_rise),
        usual_rise=shown("temperature_rise", usual, units.temperature_rise),
        level=shown("exhaust_temperature", figure, units.exhaust_temperature),
        usual_level=shown("exhaust_temperature", usual, units.exhaust_temperature),
    )
    return f"{f.column} was left out of the reading. {words}" if f.left_out else words


def no_usable_probe(found: Iterable[Finding], units: Units) -> InvalidValueError:
    """The refusal of a file in which no exhaust column can be believed."""
    return InvalidValueError(
        "No exhaust column of this file can be used. " + " ".join(sentence(f, units) for f in found).removesuffix("."),
        field="trace",
        cure="Shut down, check the probes and their plugs, then log a new sweep. Or type what you saw as egt_rise. "
        f"{LEAN}",
    )


def not_passed(kelvin: float, units: Units) -> InvalidValueError:
    """The refusal of a file in which no cylinder reached its peak."""
    return InvalidValueError(
        "This file shows no peak and no fall",
        field="trace",
        value=f"rise so far {shown('temperature_rise', kelvin, units.temperature_rise)}",
        cure=f"Type what you saw as egt_rise. Check the probes before another sweep. {LEAN}",
    )


def not_settled() -> InvalidValueError:
    """The refusal of a file in which full throttle, or a steady exhaust temperature there, cannot be found."""
    return InvalidValueError(
        "This file shows no steady exhaust temperature at full throttle before the leaning",
        field="trace",
        cure="If the file begins before full throttle, cut that part off, or log rpm too. Or type what you saw as "
        f"egt_rise. Before another sweep, hold full throttle at full rich for 20 seconds. {LEAN}",
    )
