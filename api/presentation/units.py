"""Sets of units to begin with."""

__all__ = ["PRESETS"]

PRESETS: dict[str, dict[str, str]] = {
    "fahrenheit": {},
    "celsius": {
        "temperature": "degC", "temperature_rise": "delta_degC", "pressure": "hPa", "elevation": "m",
        "head_temperature": "degC", "exhaust_temperature": "degC", "fuel_flow": "l/h",
    },
}  # fmt: skip
"""By the name a form gives them; each unit may be changed afterwards."""
