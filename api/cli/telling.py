"""Runs, adjustments and confidence in one line each."""

from typing import Any

from taperwise.api.schemas.run import FellAtOnce, PeakSeen, RunIn
from taperwise.model.design.wording import fraction
from taperwise.shared.recommendation import Confidence, Stage
from taperwise.shared.units import from_si

__all__ = ["STAGE_WORDS", "adjustment_line", "confidence_lines", "run_line"]

STAGE_WORDS = {
    Stage.FULL_THROTTLE: "full throttle",
    Stage.IDLE_MIXTURE: "idle mixture",
    Stage.IDLE_SPEED: "idle speed",
    Stage.TUNED: "tuned",
}


def run_line(run: RunIn) -> str:
    """What a run showed."""
    record = run.record(run.elevation)
    found = [f"{from_si('temperature', record.air.temperature_kelvin, 'degF'):.0f} °F"]
    match run.egt_rise:
        case FellAtOnce():
            found.append("EGT fell at once")
        case PeakSeen(rise=rise):
            found.append(f"EGT rise {from_si('temperature_rise', rise.si(), 'delta_degF'):.0f} °F")
        case None:
            pass
        case rough:
            found.append(f"rough before a peak, {from_si('temperature_rise', rough.rise.si(), 'delta_degF'):.0f} °F")
    if record.idle_quality is not None:
        found.append("idle " + record.idle_quality.name.lower().replace("_", " "))
    if record.idle_rpm_rise is not None:
        found.append(f"rise of {record.idle_rpm_rise:.0f} rpm on leaning at idle")
    if record.static_rpm is not None:
        found.append(f"static {record.static_rpm:.0f} rpm")
    if record.idle_rpm is not None:
        found.append(f"idle {record.idle_rpm:.0f} rpm")
    return ", ".join(found)


def adjustment_line(body: dict[str, Any]) -> str:
    """What was turned or changed."""
    match body["kind"]:
        case "turn_screw":
            return f"needle holder {fraction(body['turns'])} {'richer' if body['turns'] > 0 else 'leaner'}"
        case "turn_idle_stop":
            return f"idle stop {fraction(body['turns'])} {'faster' if body['turns'] > 0 else 'slower'}"
        case "change_needle":
            return f"needle {body['needle']}, {body.get('turns_from_mark', 0.0):+g} turn from its mark"
        case _:
            return f"another {body['part'].replace('_', ' ')}"


def _chance(x: float | None) -> str:
    return "–" if x is None else f"{x:.0%}" if 0.005 < x < 0.995 else ">99%" if x > 0.5 else "<1%"


def confidence_lines(c: Confidence) -> tuple[str, str]:
    """The chances, and the two intervals."""
    turns, taper = c.offset_turns, c.taper_misfit
    chances = (
        f"chance of being right: full throttle {_chance(c.full_throttle.chance_in_band)}, idle mixture "
        f"{_chance(c.idle_mixture.chance_in_band)}, idle speed {_chance(c.idle_speed.chance_in_band)}"
    )
    away = (
        f"from target: screw {turns.median:+z.2f} turn (90 %: {turns.low_90:+z.2f} to {turns.high_90:+z.2f}), "
        f"taper {taper.median * 1e3:+z.2f} mm/m (90 %: {taper.low_90 * 1e3:+z.2f} to {taper.high_90 * 1e3:+z.2f})"
    )
    return chances, away
