"""Throttle body and pumping of an outside engine: mixture at full throttle, and the idle as a balance of powers."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from tests.benchmarks.engines.outside_flow import Cone, Weather, orifice_flow, segment, solved, throttle_flow

__all__ = ["STOICHIOMETRIC", "Body", "Idling", "Pump", "idle_power"]

STOICHIOMETRIC = 14.9
"""Air over fuel at phi 1 [-]; CH2.1, from an atom balance."""

_GRAVITY = 9.80665


def _fuel(kelvin: float) -> tuple[float, float]:
    """Density [kg/m³] and kinematic viscosity [m²/s] of fuel as warm as the air; judgement."""
    return 715.0 * (1.0 - 0.0012 * (kelvin - 288.15)), 0.65e-6 * math.exp(-0.012 * (kelvin - 288.15))


def _power_left(phi: float, best: float, lean: float, rich: float) -> float:
    x = math.log(max(phi, 0.05) / best)
    return 1.0 / (1.0 + (lean if x < 0.0 else rich) * x * x)


def idle_power(phi: float, best: float) -> float:
    """Power at idle over the best, at the same air [-]: falls faster on the lean side."""
    return _power_left(phi, best, 9.0, 3.5)


@dataclass(frozen=True)
class Pump:
    """The engine as an air pump, and its load.

    Parameters
    ----------
    displacement : float
        [m³], four-stroke.
    efficiency : float
        Volumetric, at full throttle [-]; at idle `idle_efficiency`.
    static_rpm : float
        At full throttle in standard air at best power.
    heated : float
        Kelvins by which the charge is warmer at idle than the air.
    propeller : float
        Share of the load at idle that goes with the cube of speed; the rest, friction, goes with its square.
    idle_rpm, idle_air : float
        At the design point: speed, dry air flow [kg/s].
    idle_best : float
        phi of best idle power.
    """

    displacement: float
    efficiency: float
    idle_efficiency: float
    static_rpm: float
    heated: float
    propeller: float
    idle_rpm: float
    idle_best: float
    idle_air: float = 1.0

    def swept(self, rpm: float, efficiency: float) -> float:
        """Volume drawn a second [m³/s]."""
        return efficiency * self.displacement * rpm / 120.0

    def load(self, rpm: float) -> float:
        """Power taken over that at the design point [-]."""
        n = rpm / self.idle_rpm
        return (1.0 - self.propeller) * n**2 + self.propeller * n**3


@dataclass(frozen=True)
class Idling:
    """The idle: phi, speed [rpm], and pressure behind the slide [Pa]."""

    phi: float
    rpm: float
    manifold: float


@dataclass(frozen=True)
class Body:
    """The throttle body as it truly is; lengths in metres.

    Parameters
    ----------
    bore, stroke, opening, mark : float
        As in the record, without its errors; `mark` with where the orifice really stands.
    cone : Cone
        Its `loss` is that of the needle fitted.
    losses : dict
        Every needle's true loss of diameter per length.
    suction : float
        Suction at the orifice over the dynamic pressure beside it [-].
    bled : float
        Share of the vacuum behind the slide that reaches the orifice [-].
    hindered : float
        Loss of total pressure past the open slide over the dynamic pressure [-].
    slide : float
        Discharge coefficient of the slide's opening [-]; what leaks past it included.
    pump : Pump
    """

    bore: float
    stroke: float
    opening: float
    mark: float
    cone: Cone
    losses: dict[str, float]
    suction: float
    bled: float
    hindered: float
    slide: float
    pump: Pump

    def needle(self, label: str) -> Cone:
        """The cone of a needle."""
        return replace(self.cone, loss=self.losses[label])

    def _fuel_flow(self, needle: Cone, past: float, suction: float, head: float, kelvin: float) -> float:
        density, viscosity = _fuel(kelvin)
        pressure = suction + density * _GRAVITY * head
        return orifice_flow(needle.area(past), needle.gap(past), pressure, density, viscosity)

    def _full_air(self, weather: Weather) -> tuple[float, float]:
        """Dry air flow [kg/s] and dynamic pressure past the open slide [Pa]."""
        drawn = self.pump.swept(self.pump.static_rpm, self.pump.efficiency)
        area, dynamic = segment(self.bore, self.stroke), 0.0
        for _ in range(4):
            flow = drawn * weather.density * (1.0 - self.hindered * dynamic / weather.pascal)
            dynamic = 0.5 * weather.density * (flow / weather.density / area) ** 2
        return flow * weather.dry_share, dynamic

    def full_throttle(self, needle: Cone, start: float, weather: Weather, head: float) -> float:
        """Mean phi at full throttle, at the static speed; `start` is the length of taper past the orifice, closed."""
        air, dynamic = self._full_air(weather)
        fuel = self._fuel_flow(needle, start + self.stroke, self.suction * dynamic, head, weather.kelvin)
        return STOICHIOMETRIC * fuel / air

    def idle_air(self, needle: Cone, start: float, manifold: float, weather: Weather, head: float) -> float:
        """Dry air flow that would give phi 1 at idle, at a pressure behind the slide [kg/s]."""
        suction = self.bled * (weather.pascal - manifold)
        return STOICHIOMETRIC * self._fuel_flow(needle, start + self.opening, suction, head, weather.kelvin)

    def static_speed(self, phi: float, weather: Weather) -> float:
        """Static speed [rpm]: a propeller takes power with density and the cube of speed."""
        standard = Weather(101_325.0, 288.15, 0.0)
        air = self._full_air(weather)[0] / self._full_air(standard)[0]
        power = air * _power_left(phi, 1.12, 2.2, 0.7)
        return float(self.pump.static_rpm * (power * standard.density / weather.density) ** (1.0 / 3.0))

    def idle(
        self, needle: Cone, start: float, opening: float, weather: Weather, head: float, factor: float = 1.0
    ) -> Idling:
        """The idle at a travel of the slide; the factor is a run's own scatter of mixture."""
        past = start + opening

        def phi_at(manifold: float, air: float) -> float:
            suction = self.bled * (weather.pascal - manifold)
            return factor * STOICHIOMETRIC * self._fuel_flow(needle, past, suction, head, weather.kelvin) / air

        manifold, rpm, air = self._balance(opening, weather, phi_at)
        return Idling(phi_at(manifold, air), rpm, manifold)

    def leaned(self, idling: Idling, opening: float, weather: Weather) -> float:
        """Rise of idle speed on slow leaning [rpm]; 0 where the mixture is leaner than the best."""
        best = self.pump.idle_best
        if idling.phi <= best:
            return 0.0
        return self._balance(opening, weather, lambda *_: best)[1] - idling.rpm

    def _balance(
        self, opening: float, weather: Weather, phi_at: Callable[[float, float], float]
    ) -> tuple[float, float, float]:
        """Pressure behind the slide, speed and dry air at which what flows in is pumped out and powers are equal."""
        pump = self.pump
        area = self.slide * segment(self.bore, opening)

        def flow(manifold: float) -> float:
            return throttle_flow(area, weather.pascal, manifold, weather.kelvin, weather.gas)

        def speed(manifold: float) -> float:
            volume = flow(manifold) * weather.gas * (weather.kelvin + pump.heated) / manifold
            return 120.0 * volume / (pump.idle_efficiency * pump.displacement)

        def spare(manifold: float) -> float:
            air = flow(manifold) * weather.dry_share
            power = air / pump.idle_air * idle_power(phi_at(manifold, air), pump.idle_best)
            return power - pump.load(speed(manifold))

        manifold = solved(spare, 0.1 * weather.pascal, 0.995 * weather.pascal)
        return manifold, speed(manifold), flow(manifold) * weather.dry_share
