"""The model's own adviser, as the service, the commands and their helpers all make it."""

from typing import TYPE_CHECKING

from threadpoolctl import threadpool_limits

from taperwise.api.core import compile_cache
from taperwise.api.core.settings import Settings

if TYPE_CHECKING:
    from taperwise.model.recommender import Recommender

__all__ = ["make_recommender"]


def make_recommender(seed: int | None = None, cores: int = 2) -> "Recommender":
    """The model's own adviser; loading it is put off until it is called.

    Chains and requests share out the cores; threads within a matrix product would only stand in their way. Compiled
    code lasts in the cache folder of the settings.

    Parameters
    ----------
    seed : int, optional
        That of the settings if not given.
    cores : int
        Chains drawn, and candidates weighed, at a time.
    """
    settings = Settings()
    folder = compile_cache.use(settings.cache_folder)
    from taperwise.model.recommender import Recommender  # a third of a second that a start does without

    threadpool_limits(1, "blas")
    shelf = compile_cache.SamplerShelf(folder)
    return Recommender(settings.seed if seed is None else seed, cores, shelf=shelf)
