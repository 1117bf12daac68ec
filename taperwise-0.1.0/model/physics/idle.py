"""The engine at idle: speed, rise of speed on leaning, and what the mixture is judged to be.

The slide's opening sets the air (at idle the flow past it is close to choked, so air follows the
opening and not the speed); speed follows air to a power near one half, since a propeller asks for
power with the cube of speed and friction adds its own.

All functions are elementwise: arrays of any shapes that broadcast.
"""

from taperwise.model.physics.backend import NUMPY, Array, Backend

__all__ = ["BEST_WIDTH", "idle_speed", "leaning_rise", "speed_loss"]

BEST_WIDTH = 0.08
"""Half-width in ln(phi) of the flat top of idle speed against mixture [-]; judgement."""


def speed_loss(ln_mixture: Array, best: Array, gain: Array, backend: Backend = NUMPY) -> Array:
    """Share of the best idle speed lost at this mixture [-], 0 to 1, on either side of `best`."""
    d = ln_mixture - best
    loss = gain * (backend.sqrt(d * d + BEST_WIDTH**2) - BEST_WIDTH)
    return loss / (1.0 + loss)


def idle_speed(
    ln_mixture: Array,
    best: Array,
    gain: Array,
    best_rpm: Array,
    ln_opening: Array,
    air_power: Array,
    backend: Backend = NUMPY,
) -> Array:
    """Idle speed [rpm] at this mixture and opening.

    Parameters
    ----------
    best_rpm : array
        Speed at the best mixture with the slide at its recorded idle opening [rpm].
    ln_opening : array
        ln(opening / recorded idle opening) [-].
    air_power : array
        Power with which speed follows air [-].
    """
    return best_rpm * backend.exp(air_power * ln_opening) * (1.0 - speed_loss(ln_mixture, best, gain, backend))


def leaning_rise(
    ln_mixture: Array,
    best: Array,
    gain: Array,
    best_rpm: Array,
    ln_opening: Array,
    air_power: Array,
    backend: Backend = NUMPY,
) -> Array:
    """Rise of idle speed on slow leaning [rpm]; negative where already leaner than best."""
    lost = best_rpm * backend.exp(air_power * ln_opening) * speed_loss(ln_mixture, best, gain, backend)
    return backend.where(ln_mixture < best, -lost, lost)
