"""Flow and areas from libraries and by quadrature; on purpose none of the project's own formulas."""

import math

from fluids.compressible import P_critical_flow
from fluids.flow_meter import differential_pressure_meter_C_epsilon
from fluids.safety_valve import API520_A_g
from scipy.integrate import quad

__all__ = [
    "SEGMENTS_MM2",
    "air_flux",
    "choked_ratio",
    "opening_exponent",
    "orifice_coefficient",
    "pressure_exponent",
    "segment_area",
]

SEGMENTS_MM2 = {
    (34.0, 0.3): 1.27411,
    (34.0, 1.5): 14.09230,
    (34.0, 3.0): 39.31121,
    (34.0, 6.0): 108.00862,
    (34.0, 17.0): 453.96014,
    (34.0, 31.0): 868.60907,
    (28.0, 2.5): 27.12931,
    (46.0, 4.0): 70.42725,
}
"""Open area [mm²] of a round bore by bore and lift of a straight edge [mm].

Calculated by quadrature (`segment_area`); `fluids.geometry.A_partial_circle` gives the same.
"""


def choked_ratio(gamma: float = 1.4) -> float:
    """Pressure downstream over upstream at which flow chokes [-]; 0.5283 for air (`fluids`)."""
    return float(P_critical_flow(1.0, gamma))


def air_flux(upstream: float, downstream: float, kelvin: float) -> float:
    """Mass flow of dry air per area with a coefficient of 1 [kg/(s m²)], choked or not (API 520, in `fluids`)."""
    area = API520_A_g(m=1.0, T=kelvin, Z=1.0, MW=28.9652, k=1.4, P1=upstream, P2=downstream, Kd=1.0, Kb=1, Kc=1)
    return float(1.0 / area)


def pressure_exponent(ratio: float) -> float:
    """Power of the pressure upstream with which air flow goes, that downstream held [-]; 1 where it is choked."""
    up, step = 101_325.0, 1e-3
    less, more = (air_flux(up * (1.0 + s), ratio * up, 288.15) for s in (-step, step))
    return math.log(more / less) / math.log((1.0 + step) / (1.0 - step))


def orifice_coefficient(reynolds: float) -> float:
    """Discharge coefficient of an orifice of diameter ratio 0.6 [-] (Hollingshead's data, in `fluids`)."""
    pipe, viscosity = 0.01, 1e-3
    mass = reynolds * math.pi * pipe * viscosity / 4.0
    found = differential_pressure_meter_C_epsilon(
        D=pipe, D2=0.6 * pipe, P1=1e5, P2=9.9e4, rho=1e3, mu=viscosity, k=1.4, m=mass,
        meter_type="Hollingshead orifice",
    )  # fmt: skip
    return float(found[0])


def segment_area(bore: float, lift: float) -> float:
    """Area of a round bore below a straight edge lifted that far [m²], by quadrature over the chords."""
    r = 0.5 * bore
    return float(
        quad(lambda y: 2.0 * math.sqrt(max(r * r - (y - r) ** 2, 0.0)), 0.0, lift, epsabs=1e-18, epsrel=1e-11)[0]
    )


def opening_exponent(bore: float, lift: float) -> float:
    """Power of the lift with which the open area goes there [-]; 1.472 at 3 mm of 34 mm: chord times lift by area."""
    r = 0.5 * bore
    return 2.0 * math.sqrt(r * r - (r - lift) ** 2) * lift / segment_area(bore, lift)
