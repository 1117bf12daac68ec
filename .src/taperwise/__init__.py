"""The smallest useful mixture adjustment for a slide-type throttle body, learned from ground runs.

As a library::

    import taperwise
    log = taperwise.read_log("tuning_day.json")
    fit = taperwise.fit(log)
    print(fit.recommend())

`read_engine` and `read_log` read JSON, CSV or a pandas DataFrame, `simulate` makes an invented log, `fit` learns from a
log. A `Log` gives a table of itself. A `Fit` recommends, answers what-if questions, predicts, and exports to ArviZ and
PyMC. `__version__` is the installed version. Nothing here is advice for flight: each recommendation brings its cautions.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from taperwise.api.library.fitting import Fit as Fit
    from taperwise.api.library.fitting import Recommendation as Recommendation
    from taperwise.api.library.fitting import fit as fit
    from taperwise.api.library.fitting import simulate as simulate
    from taperwise.api.library.log import Log as Log
    from taperwise.api.library.log import read_engine as read_engine
    from taperwise.api.library.log import read_log as read_log

_PLACES = {
    "Fit": "fitting", "Recommendation": "fitting", "fit": "fitting", "simulate": "fitting", "Log": "log",
    "read_engine": "log", "read_log": "log",
}  # fmt: skip

__all__ = ["Fit", "Log", "Recommendation", "fit", "read_engine", "read_log", "simulate"]


def __getattr__(name: str) -> Any:
    """Loaded when it is asked for: the model takes seconds to import."""
    if name == "__version__":
        return import_module("taperwise.api").__version__
    if name not in _PLACES:
        raise AttributeError(f"module 'taperwise' has no attribute {name!r}")
    return getattr(import_module(f"taperwise.api.library.{_PLACES[name]}"), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__, "__version__"})
