"""What the variables of a statistician's file are: unit and a few words each."""

from taperwise.api.presentation.observations import OBSERVATIONS
from taperwise.model.physics.priors import PRIORS
from taperwise.shared.meters import meters
from taperwise.shared.units import KINDS

__all__ = ["likelihoods_told", "readings_told", "unknowns_told"]

_LN_MIXTURE = "ln(phi/phi_peak)"
_OTHERS = {
    "ln_full": (_LN_MIXTURE, "mixture at full throttle at the pivot setting, leanest cylinder read"),
    "ln_idle": (_LN_MIXTURE, "mixture at idle at the pivot setting"),
    "first": ("standard deviations", "error of a mark, or effect of a part at full throttle"),
    "second": ("standard deviations", "error of a needle's slope, or effect of a part at idle"),
    "turns_to_target": ("turns", "holder turns to the middle of the full-throttle target range, positive is richer"),
    "taper_misfit": ("m/m", "ideal taper slope less the installed needle's"),
    "needle_m": ("m", "movement of the needle out from its mark"),
    "idle_stop_m": ("m", "movement of the slide by the idle stop screw"),
    "ln_density": ("ln(density/1.225 kg/m3)", "density of the air"),
    "ln_dry": ("ln(-)", "share of the air's mass that is dry"),
    "ln_temperature": ("ln(T/288.15 K)", "temperature of the air"),
    "ln_head": ("ln(head/0.5 m)", "head of fuel over the throttle body"),
    "ln_fuel": ("ln(phi)", "effect of the fuel over avgas"),
    "ln_steps": ("ln(-)", "steps from the middle needle to the installed one, where slopes are unknown"),
    "ln_slope": ("ln(m/m)", "taper slope of the installed needle"),
    "slope_load": ("-", "1 for the change whose needle error holds"),
    "mark_load": ("-", "1 for the change whose mark error holds"),
    "part_load": ("-", "1 for the changes of parts that hold"),
    "lp": ("nats", "log density in the sampler's coordinates"),
    "diverging": ("-", "whether the step diverged"),
    "energy": ("nats", "energy of the sampler's step"),
    "tree_depth": ("-", "doublings of the sampler's path"),
    "n_steps": ("-", "steps of the sampler's path"),
    "step_size": ("-", "step of the sampler"),
    "acceptance_rate": ("-", "mean acceptance along the path"),
}
_BESIDE = {
    "spread": ("K", "mean EGT rise of the cylinders read less the leanest one's"),
    "idle_quality": ("-", "idle: 0 stumbles lean, 1 slightly lean, 2 smooth, 3 slightly rich, 4 loads up rich"),
}
"""Readings that are no row of `OBSERVATIONS`, or another there."""


def unknowns_told(name: str) -> dict[str, str]:
    """Attributes of an unknown, a setting or a statistic of the sampler: `units` and `long_name`."""
    if name in PRIORS:
        return {"units": PRIORS[name].unit, "long_name": name.replace("_", " "), "prior": PRIORS[name].reason}
    return dict(zip(("units", "long_name"), _OTHERS[name], strict=True))


def readings_told(name: str) -> dict[str, str]:
    """Attributes of readings of a kind; a rise of nought says that nothing rose."""
    known = {each.name.removeprefix("egt_").replace("rpm_rise", "rise"): each for each in OBSERVATIONS}
    metered = {f"ln_{m.name}": ("ln of the SI reading", f"{m.words}, full throttle, full rich") for m in meters()}
    kind = name.removesuffix("_read")
    if kind in _BESIDE | metered:
        unit, words = (_BESIDE | metered)[kind]
    else:
        unit, words = KINDS[known[kind].kind].si, known[kind].words
    return {"units": unit, "long_name": words}


def likelihoods_told(name: str) -> dict[str, str]:
    """Attributes of the log likelihoods of readings of a kind, or of all of a run."""
    words = "all readings of a run together" if name == "all_readings" else readings_told(name)["long_name"]
    return {"units": "nats", "long_name": f"log likelihood of {words}"}
