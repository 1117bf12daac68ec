"""The model's own adviser, as the service, the commands and their helpers all make it."""

import gc
import threading
from typing import TYPE_CHECKING

from threadpoolctl import threadpool_limits

from taperwise.api.core import compile_cache
from taperwise.api.core.settings import Settings

if TYPE_CHECKING:
    from taperwise.model.recommender import Recommender

__all__ = ["make_recommender", "settle"]


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


_settled = threading.Event()


def settle() -> None:
    """Once a process, leave what lasts as long as it out of the collections to come: looking through all that the
    sampler brought along kept whoever asked meanwhile waiting for a fifth of a second (the bench `many`).
    """
    if not _settled.is_set():
        _settled.set()
        gc.collect()
        gc.freeze()
