"""What each meter would show: one rule for likelihood, prediction, information and virtual engine."""

from collections.abc import Callable
from dataclasses import dataclass

from taperwise.model.physics.backend import Array, Backend
from taperwise.model.physics.mixture import Settings, Unknowns
from taperwise.model.physics.nominal_values import Scales
from taperwise.shared.errors import InvalidValueError
from taperwise.shared.meters import meters

__all__ = ["AtFullThrottle", "Rule", "add", "expected", "scatter_of"]


@dataclass(frozen=True)
class AtFullThrottle:
    """The engine at full throttle, full rich, as a rule may look at it; arrays (n,) or (draws, n).

    Parameters
    ----------
    unknowns : Unknowns
    mean : array
        ln(phi / phi at peak EGT) of the engine as a whole.
    static_rpm : array
        Noise-free static speed [rpm].
    settings : Settings
        Density, fuel and the rest of each run.
    scales : Scales
        What this installation's readings are measured against.
    backend : Backend
        Functions for plain arrays, or for the sampler's graph.
    """

    unknowns: Unknowns
    mean: Array
    static_rpm: Array
    settings: Settings
    scales: Scales
    backend: Backend


@dataclass(frozen=True)
class Rule:
    """What a meter shows.

    Parameters
    ----------
    scatter : float
        Logistic scale of one reading's logarithm [-]; 1 % of standard deviation is about 0.0055.
    ln_reading : callable
        `AtFullThrottle` to the logarithm of the noise-free reading, in the kind's inside unit.
    """

    scatter: float
    ln_reading: Callable[[AtFullThrottle], Array]


_RULES: dict[str, Rule] = {}


def add(name: str, rule: Rule) -> None:
    """Say what the meter of that name shows.

    Raises
    ------
    InvalidValueError
        If there is no such meter, it has a rule, or its scatter is not positive.
    """
    if name not in {meter.name for meter in meters()} or name in _RULES or not rule.scatter > 0.0:
        raise InvalidValueError(
            "A rule belongs to one meter, and its scatter must be positive", field="name", value=name,
            cure="Add the meter in shared/meters.py first, and one rule for it.",
        )  # fmt: skip
    _RULES[name] = rule


def scatter_of(name: str) -> float:
    """Logistic scale of the logarithm of one reading [-].

    Raises
    ------
    InvalidValueError
        If the meter has no rule.
    """
    return _rule(name).scatter


def expected(at: AtFullThrottle) -> tuple[Array, ...]:
    """Ln of what every meter would show without noise, in the order of `taperwise.shared.meters.meters`.

    Parameters
    ----------
    at : AtFullThrottle
        Arrays of shape (n,) or (draws, n), as each reading then is.

    Raises
    ------
    InvalidValueError
        If one has no rule.
    """
    return tuple(_rule(meter.name).ln_reading(at) for meter in meters())


def _rule(name: str) -> Rule:
    rule = _RULES.get(name)
    if rule is None:
        raise InvalidValueError(
            "This meter has no rule",
            field="meter",
            value=name,
            cure="Add its rule in model/physics/meters.py.",
        )
    return rule


def _ln_lambda(at: AtFullThrottle) -> Array:
    return at.unknowns.lambda_at_peak - at.mean


def _ln_fuel_flow(at: AtFullThrottle) -> Array:
    # dry air goes with its density and speed; the fuel's own share of the mixture is stoichiometry, not flow
    ln_air = at.settings.ln_density + at.settings.ln_dry + at.backend.log(at.static_rpm / at.scales.static_rpm)
    ln_usual = at.backend.log(at.scales.fuel_flow_m3_s) + at.unknowns.fuel_flow
    return ln_usual + at.mean + ln_air - at.settings.ln_fuel


add("lambda_full_rich", Rule(0.006, _ln_lambda))  # about 1 %; judgement
add("fuel_flow", Rule(0.008, _ln_fuel_flow))  # about 1.5 %; judgement
