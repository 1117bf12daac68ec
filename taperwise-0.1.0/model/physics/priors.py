"""The priors, in one table with the reason for each.

A `normal` prior is on the unknown itself, a `lognormal` one on its logarithm (``centre`` is then
the median), a `half` one maps a standard normal through a logistic curve to (0.5, 1). Every
unknown is sampled as a standard normal times ``spread`` plus ``centre``.
"""

from dataclasses import dataclass
from typing import Literal

from taperwise.model.physics.backend import Array, Backend
from taperwise.shared.runs import Sureness

__all__ = [
    "CHANGES",
    "EAR_BIAS",
    "GAUGE_BIAS_KELVIN",
    "GIVEN_STEP_SPREAD",
    "NOMINAL_DEPTH",
    "POWER_RISE_SHARE",
    "PRIORS",
    "ROUGH_RISE_KELVIN",
    "SURENESS_WIDENS",
    "TRACED_SHARE",
    "TYPICAL_STEP",
    "TYPICAL_STEP_SPREAD",
    "UNEVEN_STEP",
    "Prior",
    "from_standard",
]

CHANGES = 6
"""Needle fittings and part changes that the posterior can hold apart at a time, the first fitting included."""

ROUGH_RISE_KELVIN = 400 / 1.8
"""Rise beyond which an engine is expected to run rough before a peak is found [K]; common practice, no published
source: several hundred °F is far too rich."""


GAUGE_BIAS_KELVIN = 6.5
"""Standard deviation of what all rises read off a gauge are off by together [K]; judgement: 5 K of the gauge and its
reader, and 4 K for a tank whose head in these runs is 6 % off its usual."""

EAR_BIAS = 0.018
"""Standard deviation of what all judgements of an idle are off by together [ln phi]; judgement: 0.015 of the ear, 0.01
of the tank."""

TRACED_SHARE = 0.4
"""Share of a gauge reading's scatter that is left where the rise was read from a trace: what differs from run to run
rather than in the reading [-]; judgement."""

POWER_RISE_SHARE = 0.5
"""Scatter of a rise of static speed over that of the speed itself: the wind is the same before and after [-];
judgement."""

NOMINAL_DEPTH = 1.0 / 3.0
"""Depth of the flat at full throttle, mark at the edge, over the needle's diameter, for the middle of needles that
nobody measured [-]; judgement: 29 mm/m in the default body, beside the 30 mm/m of the invented set."""

TYPICAL_STEP = 0.02
"""How much steeper the next of such needles is where the owner knows no figure [-]; see `needle_step`."""

TYPICAL_STEP_SPREAD = 0.45
"""Standard deviation of its logarithm: nine sets in ten have a step of 1 to 4 % [-]; judgement. It takes up what the
nominal middle slope is off by, too: 22 or 37 mm/m change what a step does at idle by a sixth at most."""

GIVEN_STEP_SPREAD = 0.15
"""The same of a step that the owner gives: right within a quarter nine times in ten [-]; judgement."""

UNEVEN_STEP = 0.25
"""How far a needle is off its even place in such a set, as a standard deviation, in steps [-]; judgement."""

SURENESS_WIDENS: dict[Sureness, float] = {Sureness.SURE: 1.0, Sureness.UNSURE: 2.0, Sureness.GUESS: 4.0}
"""How many times wider a reading scatters by how sure its reader is [-]; judgement."""


@dataclass(frozen=True)
class Prior:
    """Prior of one unknown.

    Parameters
    ----------
    family : str
        ``normal``, ``lognormal`` or ``half``.
    centre, spread : float
        Centre (median) and standard deviation, on the logarithm for ``lognormal``.
    unit : str
        Unit of the unknown.
    reason : str
        Why this prior.
    """

    family: Literal["normal", "lognormal", "half"]
    centre: float
    spread: float
    unit: str
    reason: str


PRIORS: dict[str, Prior] = {
    "offset": Prior(
        "normal",
        0.0,
        0.8e-3,
        "m",
        "where the orifice really stands against the mark at the slide's edge; a third of a turn, judgement",
    ),
    "gain_full": Prior(
        "normal",
        0.13,
        0.12,
        "ln(phi/phi_peak)",
        "with the middle needle and its mark at the edge a first set-up shows anything from falling at once to 300 °F. "
        "Three engines in four find a needle that fits, in a set whose slopes go 6 % either way; common practice, no "
        "published source",
    ),
    "gain_idle": Prior(
        "normal",
        0.08,
        0.07,
        "ln(phi/phi_peak)",
        "as above at idle, beyond what full throttle is off by, since both ends share orifice, head and fuel; where "
        "the orifice stands comes on top of it; judgement",
    ),
    "needle_error": Prior(
        "normal",
        0.0,
        0.004,
        "ln(slope)",
        "error of a measured taper slope, about 0.4 %; judgement",
    ),
    "mark_error": Prior(
        "normal",
        0.0,
        0.15e-3,
        "m",
        "setting a mark at an edge by eye; judgement",
    ),
    "change_full": Prior(
        "normal",
        0.0,
        0.06,
        "ln(phi/phi_peak)",
        "what a changed part or fuel does to full throttle; judgement",
    ),
    "change_idle": Prior(
        "normal",
        0.0,
        0.06,
        "ln(phi/phi_peak)",
        "what a changed part or fuel does to idle; judgement",
    ),
    "density_exponent": Prior(
        "half",
        0.0,
        1.0,
        "-",
        "Bernoulli: phi goes with density to −1/2 (fuel fed by suction alone) up to −1 (by head alone)",
    ),
    "needle_share": Prior(
        "half",
        2.2,
        1.7,
        "-",
        "at full throttle fuel follows this power of the uncovered area. A passage in series with the orifice takes "
        "its share of the pressure (Bernoulli). A round taper opens with the first power of its length, a flat one "
        "with 3/2 (geometry). How much, judgement",
    ),
    "opening_share": Prior(
        "half",
        1.5,
        1.2,
        "-",
        "idle air follows this power of the open area. It is 1 where the slide's flow is choked. At one speed it is "
        "0.84 at a pressure behind the slide of 0.6 of the air's. It is 0.70 at 0.66 (isentropic flow into a pump of "
        "constant volume). A speed that rises gives some of it back. How much, judgement",
    ),
    "exhaust_scale": Prior(
        "lognormal",
        780 / 1.8,
        0.25,
        "K per phi/phi_peak",
        "564 to 764 °F per unit of phi in eight cylinder sweeps of a real four-cylinder engine (open flight-data set, "
        "in flight at part throttle: indicative). 1,002 °F in an equilibrium cycle. Both are within 1.3 deviations",
    ),
    "exhaust_width": Prior(
        "lognormal",
        0.035,
        0.25,
        "phi/phi_peak",
        "rounding by a mixture spread of 0.03 to 0.05 over cycles and cylinders, same calculation",
    ),
    "idle_first_cut": Prior(
        "normal",
        -0.06,
        0.05,
        "ln(phi/phi_peak)",
        "between stumbling and slightly lean; judgement",
    ),
    "idle_gap_lean": Prior("lognormal", 0.08, 0.3, "ln(phi)", "width of slightly lean; judgement"),
    "idle_gap_smooth": Prior(
        "lognormal",
        0.13,
        0.2,
        "ln(phi)",
        "width of smooth; an eighth of a turn is about a third of it; common practice, no published source",
    ),
    "idle_gap_rich": Prior("lognormal", 0.13, 0.3, "ln(phi)", "width of slightly rich; judgement"),
    "idle_blur": Prior("lognormal", 0.02, 0.35, "ln(phi)", "logistic scale of the ear that judges; judgement"),
    "idle_best": Prior(
        "normal",
        0.0,
        0.03,
        "ln(phi)",
        "best idle speed, from the lean end of smooth; judgement",
    ),
    "idle_gain": Prior(
        "lognormal",
        1.4,
        0.5,
        "-",
        "so that the middle of smooth shows the 25 to 50 rpm of rise that FAA-H-8083-32 calls satisfactory; wide, for "
        "engines whose speed hardly tells of the mixture; judgement",
    ),
    "idle_rpm": Prior(
        "normal",
        0.0,
        0.12,
        "ln(rpm/target)",
        "an idle stop set by eye, about 100 rpm around the target; judgement",
    ),
    "idle_air_power": Prior(
        "normal",
        0.45,
        0.12,
        "-",
        "speed against open area. The propeller takes power with n³, friction with n. Air follows the area with a "
        "power of its own; judgement",
    ),
    "static_rpm": Prior(
        "normal",
        0.0,
        0.06,
        "ln(rpm/expected)",
        "what this propeller turns on this engine; judgement",
    ),
    "cylinder_spread": Prior(
        "lognormal",
        0.035,
        0.25,
        "ln(phi)",
        "standard deviation between cylinders: about 4 % in a carburetted aircraft engine (NACA, Gerrish & Voss 1936, "
        "abstract read). In eight sweeps of a real engine the mean was 4.6 and 5.0 % above the leanest of four, or "
        "1.03 deviations. First and last peak were 7 to 11 % apart, or 2.06",
    ),
    "cylinder_gap": Prior(
        "normal",
        0.0,
        1.0,
        "cylinder_spread",
        "where the leanest of the cylinders seen stands among the least of as many normals: order statistics; as "
        "`taperwise.model.physics.mixture.gap_of` counts it",
    ),
    "hidden_gap": Prior(
        "normal", 0.0, 1.0, "-", "where among its like the leanest of the cylinders not seen stands: order statistics"
    ),
    "lambda_at_peak": Prior(
        "normal",
        0.0,
        0.03,
        "ln(lambda)",
        "peak EGT within 3 % of stoichiometric in an equilibrium cycle with a spread of mixture, and the sensor's "
        "own error; judgement",
    ),
    "fuel_flow": Prior(
        "normal",
        0.0,
        0.15,
        "ln(flow/expected)",
        "volumetric efficiency, the propeller's speed and the flow meter's calibration; judgement",
    ),
    "static_curvature": Prior(
        "lognormal",
        0.76,
        0.3,
        "-",
        "0.8 % of speed lost at phi 1.2 and 2.6 % at 0.9 in an equilibrium cycle",
    ),
    "mixture_scatter": Prior(
        "lognormal",
        0.01,
        0.5,
        "ln(phi)",
        "of the mixture at both ends together from run to run. A body without a float sees the level in the tank. 20 % "
        "less head at half the share of head is 5.3 % of mixture (Bernoulli); over some days a fifth to a half of "
        "that; judgement",
    ),
    "gauge_bias": Prior(
        "normal",
        0.0,
        1.0,
        "5 K",
        "what all rises one person reads off one gauge are off by together. Hands lean too fast, and a probe lags. "
        "Readings one after another do not scatter afresh; judgement",
    ),
    "ear_bias": Prior(
        "normal",
        0.0,
        1.0,
        "0.015 ln(phi)",
        "what all judgements of one ear are off by together; judgement",
    ),
    "rise_noise": Prior(
        "lognormal",
        3.0,
        0.4,
        "K",
        "logistic scale of a rise read off a gauge: a standard deviation near 10 °F; judgement",
    ),
    "idle_rise_noise": Prior("lognormal", 4.0, 0.3, "rpm", "logistic scale of a rise of idle speed; judgement"),
    "idle_rpm_noise": Prior("lognormal", 10.0, 0.3, "rpm", "logistic scale of a hunting idle; judgement"),
    "static_rpm_noise": Prior(
        "lognormal", 10.0, 0.3, "rpm", "logistic scale of a static speed in light wind; judgement"
    ),
    "needle_step": Prior(
        "normal",
        0.0,
        1.0,
        "0.45 ln(step)",
        "step from needle to needle over 2 %, where no slope was measured. With full throttle held by the screw, 1 % "
        "moves idle as an eighth of a turn does, and 3 % by all the width of smooth: much finer would be of no use, "
        "much coarser would leave gaps. In 0.15 ln(step) where the owner gives a figure; judgement",
    ),
}
"""Every unknown with its prior. `needle_error`, `mark_error`, `change_full` and `change_idle` exist once per change."""


def from_standard(name: str, z: Array, backend: Backend) -> Array:
    """An unknown from its standard normal of any shape, through the prior table, elementwise."""
    prior = PRIORS[name]
    x = prior.centre + prior.spread * z
    if prior.family == "lognormal":
        return prior.centre * backend.exp(prior.spread * z)
    if prior.family == "half":
        return 0.5 + 0.5 / (1.0 + backend.exp(-x))
    return x
