"""Exhaust gas temperature against mixture: the rise to peak, and the mixture for a wanted rise.

``drop = s (√(X² + w²) − w)``: quadratic within about ``w`` of the peak, straight beyond. On the
rich side ``X = phi/phi_peak − 1``. The form and w = 0.035 are fitted to an equilibrium Otto cycle
with a spread of mixture over cycles, where s is 1,002 °F; the cylinders of a real engine showed 564
to 764 °F. The lean side falls more steeply in both.

All functions are elementwise: arrays of any shapes that broadcast.
"""

from taperwise.model.physics.backend import NUMPY, Array, Backend

__all__ = ["distance", "ln_mixture_at", "ln_mixture_slope", "mixture_for_rise", "rise"]

_LEAN = 3.0  # steepens the lean side to within a fifth of the cycle's drop between phi 0.8 and 1


def distance(ln_mixture: Array, backend: Backend = NUMPY) -> Array:
    """Distance X from the peak [-]: phi/phi_peak − 1 where rich, stretched where lean, smooth between."""
    rich = backend.exp(backend.maximum(ln_mixture, 0.0)) - 1.0
    lean = (backend.exp(-_LEAN * backend.minimum(ln_mixture, 0.0)) - 1.0) / _LEAN
    return rich - lean


def ln_mixture_at(x: Array, backend: Backend = NUMPY) -> Array:
    """ln(phi / phi at peak EGT) at distance X; inverse of `distance`."""
    rich = backend.log(1.0 + backend.maximum(x, 0.0))
    lean = backend.log(1.0 - _LEAN * backend.minimum(x, 0.0)) / _LEAN
    return rich - lean


def ln_mixture_slope(ln_mixture: Array, backend: Backend = NUMPY) -> Array:
    """Ln of d ln(mixture) / dX at this mixture, the slope of `ln_mixture_at`."""
    return backend.where(ln_mixture > 0.0, -ln_mixture, _LEAN * ln_mixture)


def rise(ln_mixture: Array, scale: Array, width: Array, backend: Backend = NUMPY) -> Array:
    """EGT rise to peak on leaning from this mixture [K]; negative where already lean of peak.

    Parameters
    ----------
    ln_mixture : array
        ln(phi / phi at peak EGT) [-].
    scale : array
        Slope far from the peak [K per unit of phi/phi_peak].
    width : array
        Half-width of the rounded peak [-].
    """
    x = distance(ln_mixture, backend)
    drop = scale * x * x / (backend.sqrt(x * x + width * width) + width)
    return backend.where(x < 0.0, -drop, drop)


def mixture_for_rise(rise_kelvin: Array, scale: Array, width: Array, backend: Backend = NUMPY) -> Array:
    """ln(phi / phi at peak EGT) on the rich side that shows this rise [-]; inverse of `rise` for rises ≥ 0."""
    far = rise_kelvin / scale + width
    return backend.log(1.0 + backend.sqrt(far * far - width * width))
