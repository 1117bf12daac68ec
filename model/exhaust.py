"""Exhaust gas temperature against mixture: the rise to peak, and the mixture for a wanted rise.

``drop = s (√(x² + w²) − w)`` with ``x = phi/phi_peak − 1``: quadratic within about ``w`` of the
peak, straight beyond. The form and the priors' centres are fitted to an equilibrium Otto cycle
with a spread of mixture over cycles (s = 1,002 °F and w = 0.035 per phi on the rich side).
"""

from model.backend import NUMPY, Array, Backend

__all__ = ["mixture_for_rise", "rise"]


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
    x = backend.exp(ln_mixture) - 1.0
    drop = scale * (backend.sqrt(x * x + width * width) - width)
    return backend.where(x < 0.0, -drop, drop)


def mixture_for_rise(rise_kelvin: Array, scale: Array, width: Array, backend: Backend = NUMPY) -> Array:
    """ln(phi / phi at peak EGT) on the rich side that shows this rise [-]; inverse of `rise` for rises ≥ 0."""
    far = rise_kelvin / scale + width
    return backend.log(1.0 + backend.sqrt(far * far - width * width))
