"""Dry air and vapour in moist air, from libraries; on purpose none of the project's own formulas."""

import json
import math
from dataclasses import dataclass
from pathlib import Path

__all__ = ["MoistAir", "by_coolprop", "richer_by_humidity", "table"]

_TABLE = Path(__file__).with_name("moist_air.json")


@dataclass(frozen=True)
class MoistAir:
    """Mole fraction of vapour [-], vapour per dry air by mass [-], densities [kg/m³], dry air in moist by mass [-]."""

    vapour_share: float
    humidity_ratio: float
    density: float
    dry_density: float
    dry_share: float


def table() -> list[tuple[tuple[float, float, float], dict[str, MoistAir]]]:
    """Temperature [K], relative humidity [-] and pressure [Pa] with what each library makes of them."""
    rows = json.loads(_TABLE.read_text(encoding="utf-8"))["air"]
    return [
        (
            (row["celsius"] + 273.15, row["humidity"], row["pascal"]),
            {name: MoistAir(**row[name]) for name in ("psychrolib", "coolprop")},
        )
        for row in rows
    ]


def by_coolprop(kelvin: float, humidity: float, pascal: float) -> MoistAir:
    """A real mixture of dry air and water (CoolProp); below freezing, humidity is over ice."""
    from CoolProp.CoolProp import HAPropsSI

    ratio, volume, share = (
        float(HAPropsSI(name, "T", kelvin, "P", pascal, "R", humidity)) for name in ("W", "V", "psi_w")
    )
    return MoistAir(share, ratio, (1.0 + ratio) / volume, 1.0 / volume, 1.0 / (1.0 + ratio))


def richer_by_humidity(kelvin: float, humidity: float, pascal: float) -> tuple[float, float]:
    """What humidity adds to ln phi where a given volume of air is drawn: fuel by suction alone, by head alone.

    Suction goes with the density of the moist air, and phi counts dry air: Bernoulli, over `by_coolprop`.
    """
    moist, dry = by_coolprop(kelvin, humidity, pascal), by_coolprop(kelvin, 0.0, pascal)
    head = math.log(dry.dry_density / moist.dry_density)
    return head + 0.5 * math.log(moist.density / dry.density), head
