"""Outside engines as they are met: drawn whole, with the record an owner would give and the days they are tuned on.

An engine is made to be right at some slope and place of the holder; the needles at hand lie about that slope, and the
orifice stands about that place. So a needle fits most engines, by construction, and some none.
"""

from dataclasses import dataclass, field, replace

import numpy as np
from scipy.optimize import brentq

from taperwise.model.simulation.tuned import Place
from taperwise.shared.records import Engine, Installation, Needle, ThrottleBody
from taperwise.shared.runs import Air
from tests.benchmarks.engines.outside_body import Body, Pump, idle_power
from tests.benchmarks.engines.outside_engine import RUNS_A_DAY, Ear, OutsideEngine, Tank
from tests.benchmarks.engines.outside_exhaust import Exhaust
from tests.benchmarks.engines.outside_flow import Cone, Weather, segment, throttle_flow

__all__ = ["Days", "draw_days", "draw_outside"]

_FIELD = Weather(95_000.0, 288.15, 0.01)  # air in which they are made to be right: of a usual field
_NEEDLES, _STEP = 7, 0.025  # needles in the set, and the ratio of one's slope to the next's less one
_SET_OFF = 0.045  # how far the set's middle lies from the engine's own slope [ln slope]
_FITTED = (0.05, 0.10, 0.20, 0.30, 0.20, 0.10, 0.05)  # chances of the needles to be the one an engine comes with
_MARK = 2.0e-3  # length of taper past the orifice as the owner measures it, the mark at the edge [m]
_SLOPE_ERROR = 0.005  # of a slope as the owner measures it [ln slope]


@dataclass(frozen=True)
class Days(Place):
    """Weather that changes from day to day, and a little within a day: it warms up and dries."""

    made: list[Air] = field(default_factory=list)

    def weather(self, rng: np.random.Generator) -> Air:
        """Air of the next run."""
        if len(self.made) % RUNS_A_DAY == 0:
            day = Air(
                self.air.temperature_kelvin + rng.normal(0.0, self.kelvin),
                self.air.pressure_pascal + rng.normal(0.0, self.pascal),
                rng.uniform(self.dry, self.damp),
            )
        else:
            before = self.made[-1]
            day = Air(
                before.temperature_kelvin + rng.normal(0.8, 0.6),
                before.pressure_pascal + rng.normal(0.0, 60.0),
                max(0.1, before.relative_humidity - rng.uniform(0.0, 0.06)),
            )
        self.made.append(day)
        return day


def draw_days(rng: np.random.Generator) -> Days:
    """A field between the sea and 1,200 m, in some season."""
    middle = Air(rng.uniform(273.0, 303.0), rng.uniform(88_000.0, 102_000.0), 0.6)
    return Days(middle, kelvin=4.0, pascal=800.0, dry=0.35, damp=0.95)


def draw_outside(rng: np.random.Generator) -> OutsideEngine:
    """An engine; drawn again while it would be absurd at idle."""
    while True:
        exhaust, tank = Exhaust.draw(rng), Tank(rng.uniform(0.15, 0.30), rng.uniform(0.02, 0.07), rng.uniform())
        pump, body = _body(rng, len(exhaust.cylinders))
        smooth = rng.normal(0.03, 0.03), float(np.clip(rng.normal(0.15, 0.03), 0.09, 0.22))
        ear = Ear((smooth[0] - rng.uniform(0.05, 0.10), smooth[0], sum(smooth), sum(smooth) + rng.uniform(0.07, 0.18)))
        middle_phi = float(np.exp(smooth[0] + 0.5 * smooth[1]))
        body = replace(body, pump=replace(pump, idle_best=middle_phi * float(np.exp(rng.normal(-0.02, 0.02)))))
        turns = rng.normal(0.0, 0.3)
        found = _right(body, exhaust, middle_phi, tank.middle, turns * _pitch(body))
        if found is not None:
            body, own_slope = found
            body, installation = _recorded(rng, body, exhaust, own_slope)
            return OutsideEngine(installation, body, exhaust, ear, tank, rng)


def _pitch(body: Body) -> float:
    """Movement of the needle per turn of its holder [m]: a thread that goes with the bore."""
    return 2.5e-3 if body.bore > 0.033 else 2.0e-3


def _body(rng: np.random.Generator, cylinders: int) -> tuple[Pump, Body]:
    """A pump and a throttle body chosen for it, its orifice to be sized, slopes and slide still to be found."""
    displacement = cylinders * rng.uniform(0.45e-3, 0.75e-3)
    pump = Pump(
        displacement, rng.uniform(0.78, 0.9), rng.uniform(0.65, 0.8), rng.uniform(2500.0, 3000.0),
        rng.uniform(10.0, 30.0), rng.uniform(0.3, 0.6), rng.uniform(740.0, 860.0), 1.1,
    )  # fmt: skip
    speed = rng.uniform(45.0, 60.0)  # of the air in the bore at full throttle [m/s]
    bore = round(1e3 * float(np.sqrt(pump.swept(pump.static_rpm, pump.efficiency) / speed * 4.0 / np.pi))) / 1e3
    body = Body(
        bore, round(1e3 * bore * 0.92) / 1e3, 0.09 * bore * float(np.exp(rng.normal(0.0, 0.05))),
        rng.normal(_MARK, 0.4e-3), Cone(0.0, 0.0, 0.0, 0.0), {}, rng.uniform(0.7, 1.2), rng.uniform(0.0, 0.003),
        rng.uniform(1.0, 2.0), 0.0, pump,
    )  # fmt: skip
    needle = round(2e4 * bore * 0.09) / 2e4
    cone = Cone(
        needle + rng.uniform(0.015e-3, 0.03e-3), needle, 0.0, body.stroke + rng.uniform(8e-3, 12e-3),
        rng.uniform(0.0, 4e-6),
    )  # fmt: skip
    return pump, replace(body, cone=cone)


def _right(body: Body, exhaust: Exhaust, idle_phi: float, head: float, moved: float) -> tuple[Body, float] | None:
    """The body with the slide that makes the idle right where full throttle is, and the slope for it; None if absurd.

    `moved` is how far the holder stands from the mark there [m].
    """
    wanted = exhaust.phi_for(100.0 / 1.8)
    start = body.mark + moved

    def over(loss: float) -> float:
        return body.full_throttle(replace(body.cone, loss=loss), start, _FIELD, head) - wanted

    most = 0.9 * body.cone.needle / (body.stroke + 12e-3)
    if over(1e-3) > 0.0 or over(most) < 0.0:
        return None
    slope = float(brentq(over, 1e-3, most))
    cone, pump, manifold = replace(body.cone, loss=slope), body.pump, 45_000.0
    for _ in range(8):
        air = body.idle_air(cone, start, manifold, _FIELD, head) / idle_phi
        volume = air * _FIELD.gas * (_FIELD.kelvin + pump.heated)
        manifold = volume / pump.swept(pump.idle_rpm, pump.idle_efficiency)
    if not 25_000.0 < manifold < 66_000.0:
        return None
    through = throttle_flow(1.0, _FIELD.pascal, manifold, _FIELD.kelvin, _FIELD.gas)
    slide = air / through / segment(body.bore, body.opening)
    if not 0.55 < slide < 1.05:
        return None
    at_design = air / idle_power(idle_phi, pump.idle_best)
    return replace(body, slide=slide, pump=replace(pump, idle_air=at_design)), slope


def _recorded(rng: np.random.Generator, body: Body, exhaust: Exhaust, slope: float) -> tuple[Body, Installation]:
    """The body with its needles' true slopes, and what the owner measured and wrote down."""
    middle = slope * float(np.exp(rng.normal(0.0, _SET_OFF)))
    true = [middle * (1.0 + _STEP) ** (i - _NEEDLES // 2) for i in range(_NEEDLES)]
    needles = tuple(
        Needle(f"needle {i + 1}", round(1e4 * x * float(np.exp(rng.normal(0.0, _SLOPE_ERROR)))) / 1e4)
        for i, x in enumerate(true)
    )
    measured = ThrottleBody(
        bore_m=body.bore + rng.normal(0.0, 0.05e-3),
        slide_stroke_m=body.stroke + rng.normal(0.0, 0.1e-3),
        idle_opening_m=body.opening + rng.normal(0.0, 0.1e-3),
        screw_pitch_m=_pitch(body),
        orifice_diameter_m=body.cone.orifice,
        needle_diameter_m=body.cone.needle,
        mark_to_orifice_m=_MARK,
    )
    pump = body.pump
    engine = Engine(
        displacement_m3=round(pump.displacement, 5), cylinders=len(exhaust.cylinders),
        rated_rpm=50.0 * round(1.1 * pump.static_rpm / 50.0), egt_probes=len(exhaust.probes),
    )  # fmt: skip
    fitted = needles[int(rng.choice(_NEEDLES, p=_FITTED))].label
    installation = Installation(needles, fitted, measured, engine)
    return replace(body, losses={n.label: x for n, x in zip(needles, true, strict=True)}), installation
