"""The sampler: compiled once in a process, fed with each log, and never believed unchecked."""

import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from taperwise.model.inference.compiled_logp import Shelf, compiled
from taperwise.model.inference.data_packing import data_of
from taperwise.model.inference.dataset import Evidence
from taperwise.model.physics.mixture import Unknowns
from taperwise.shared.errors import NotConvergedError
from taperwise.shared.recommendation import Diagnostics

__all__ = [
    "CAREFUL",
    "CHAINS",
    "ESS_LEAST",
    "FIRST_TRY",
    "LONG",
    "MOST_GRADIENTS",
    "R_HAT_MOST",
    "STEPS",
    "Posterior",
    "Sampler",
    "diagnose",
]

R_HAT_MOST = 1.01
"""Largest R-hat that is believed (Vehtari et al. 2021, doi:10.1214/20-BA1221)."""

ESS_LEAST = 400.0
"""Least bulk and tail effective sample size that is believed (same source)."""

CHAINS = 4
"""Chains drawn at a time; draws of a `Posterior` come chain after chain, `diagnostics.chains` of them."""

FIRST_TRY: Mapping[str, Any] = {
    # draws take 7 steps; the cap keeps warm-up, still finding its step size, from taking hundreds
    "draws": 1000, "tune": 250, "target_accept": 0.85, "adaptation": "low_rank", "maxdepth": 4,
}  # fmt: skip
"""Settings of a fit's first try, as nutpie names them."""

LONG: Mapping[str, Any] = {"draws": 2500, "tune": 600, "target_accept": 0.9, "adaptation": "low_rank"}
"""Settings of a fit that is to be summarised: what few draws leave in doubt a summary counts as not learned."""

CAREFUL: Mapping[str, Any] = {"draws": 1500, "tune": 1500, "target_accept": 0.95, "adaptation": "low_rank"}
"""Settings of the second try, where the first did not converge."""

_ORDINARY_RUNS = 30
_LONG_LOG: Mapping[str, Any] = {**CAREFUL, "maxdepth": 4}
"""The second try for logs of more than `_ORDINARY_RUNS`: at most 16 steps a draw, however the readings contradict each
other. Both tries together take at most 272,000 gradients.
"""

MOST_GRADIENTS = 600_000
"""Gradients after which a second try is given up: of readings that contradict each other it could take 12 million."""

_LOOK_SECONDS = 0.05  # between two looks at how many it took; it changes no figure

STEPS: Mapping[str, str] = {
    "logp": "lp", "diverging": "diverging", "energy": "energy", "depth": "tree_depth", "n_steps": "n_steps",
    "step_size": "step_size", "mean_tree_accept": "acceptance_rate",
}  # fmt: skip
"""What nutpie tells of each draw, and how ArviZ calls it."""


@dataclass(frozen=True)
class Posterior:
    """Draws of the unknowns given one log.

    Parameters
    ----------
    unknowns : Unknowns
        Scalars as columns of shape (draws, 1); `first` and `second` of shape (draws, changes).
    evidence : Evidence
    diagnostics : Diagnostics
    seed : int
    steps : mapping of str to array
        What the sampler tells of each draw, as `STEPS` names it, (chains, draws); empty where that was not kept.
    """

    unknowns: Unknowns
    evidence: Evidence
    diagnostics: Diagnostics
    seed: int
    steps: Mapping[str, NDArray[Any]] = field(default_factory=dict)


class Sampler:
    """NUTS on the compiled graph; one instance serves every installation. Safe to share between threads.

    Parameters
    ----------
    cores : int
        Chains drawn at a time.
    shelf : Shelf, optional
        Where the compiled graph lasts between starts.
    """

    def __init__(self, cores: int = 2, shelf: Shelf | None = None) -> None:
        self._cores = cores
        self._shelf = shelf
        self._compiled: Any = None
        self._lock = threading.Lock()

    @property
    def ready(self) -> bool:
        """Whether the graph is compiled."""
        return self._compiled is not None

    def compile(self, progress: Callable[[str], None] = lambda _: None) -> None:
        """Compile the graph, or take it from the shelf; a second call does nothing.

        Parameters
        ----------
        progress : callable
            Told in words what is going on.
        """
        with self._lock:
            if self._compiled is None:
                self._compiled = compiled(self._shelf, progress)
                progress("sampler ready")

    def fit(self, evidence: Evidence, seed: int) -> Posterior:
        """Draw from the posterior; where the first try does not converge, once more with care.

        Where that takes more than `MOST_GRADIENTS`, the draws of the first try stay, not converged.

        Parameters
        ----------
        evidence : Evidence
        seed : int
            Same evidence and seed, same draws.

        Returns
        -------
        Posterior
            `diagnostics.converged` says whether to believe it.

        Raises
        ------
        NotConvergedError
            If the sampler broke down.
        """
        compiled = self._fed(evidence)
        drawn = _sample(compiled, self._cores, seed, FIRST_TRY)
        diagnostics = diagnose(drawn.columns, 0, drawn.divergences)
        if not diagnostics.converged:
            careful = CAREFUL if evidence.runs_used <= _ORDINARY_RUNS else _LONG_LOG
            again = _sample_at_most(MOST_GRADIENTS, compiled, self._cores, seed + 7919, careful)
            if again is None:
                diagnostics = replace(diagnostics, refits=1)
            else:
                drawn, diagnostics = again, diagnose(again.columns, 1, again.divergences)
        return Posterior(drawn.unknowns(), evidence, diagnostics, seed, drawn.steps)

    def fit_once(self, evidence: Evidence, seed: int, options: Mapping[str, Any]) -> Posterior:
        """Draw with settings of one's own, and keep what comes, converged or not.

        Parameters
        ----------
        options : mapping
            As `FIRST_TRY`.

        Raises
        ------
        NotConvergedError
            If the sampler broke down.
        """
        drawn = _sample(self._fed(evidence), self._cores, seed, options)
        return Posterior(drawn.unknowns(), evidence, diagnose(drawn.columns, 0, drawn.divergences), seed, drawn.steps)

    def _fed(self, evidence: Evidence) -> Any:
        self.compile()
        return self._compiled.with_data(**data_of(evidence))


class _Drawn(NamedTuple):
    """Draws by unknown, (chains, draws, columns), and what the sampler tells of each, (chains, draws)."""

    columns: dict[str, NDArray[np.float64]]
    steps: dict[str, NDArray[Any]]

    @property
    def divergences(self) -> int:
        """How many draws diverged."""
        return int(self.steps["diverging"].sum())

    def unknowns(self) -> Unknowns:
        """Draws one chain after the other, (chains · draws, columns) each."""
        return Unknowns(**{name: x.reshape(-1, x.shape[2]) for name, x in self.columns.items()})


_Count = Callable[[Sequence[Any]], None]  # told now and then what nutpie knows of each chain


def _sample(compiled: Any, cores: int, seed: int, options: Mapping[str, Any]) -> _Drawn:
    with _breakdown_told():
        return _after_tuning(*_started(compiled, cores, seed, options).wait().get_arrow_trace())


def _sample_at_most(most: int, compiled: Any, cores: int, seed: int, options: Mapping[str, Any]) -> _Drawn | None:
    """As `_sample`; None where that takes more gradients, and it ends soon after it took so many.

    How many it took only grows, and in the end they are counted again: whenever it was looked at, the result is the
    same.
    """
    over = threading.Event()

    def count(chains: Sequence[Any]) -> None:
        if sum(chain.total_num_steps for chain in chains) > most:
            over.set()

    with _breakdown_told():
        running = _started(compiled, cores, seed, options, count)
        while (trace := _finished(running)) is None:
            if over.is_set():
                running.cancel()
                return None
        draws, stats = trace.get_arrow_trace()
    return None if _gradients(stats) > most else _after_tuning(draws, stats)


def _started(
    compiled: Any,
    cores: int,
    seed: int,
    options: Mapping[str, Any],
    count: Callable[[Sequence[Any]], None] | None = None,
) -> Any:
    import nutpie

    # a tree of labelled arrays would cost a third as much as drawing does
    return nutpie.sample(
        compiled, chains=CHAINS, cores=cores, seed=seed, progress_bar=False, return_raw_trace=True, blocking=False,
        progress_callback=count, **options,
    )  # fmt: skip


def _finished(running: Any) -> Any:
    """What was drawn; None where that still goes on."""
    try:
        return running.wait(timeout=_LOOK_SECONDS)
    except TimeoutError:
        return None


@contextmanager
def _breakdown_told() -> Iterator[None]:
    try:
        yield
    except BaseException as error:
        # a panic of the sampler's compiled part is no Exception, and would end the request without an answer
        if not isinstance(error, RuntimeError) and type(error).__name__ != "PanicException":
            raise
        raise NotConvergedError(
            "Your readings give no reliable result", cure="Check the last entries for typing errors."
        ) from error


def _gradients(stats: Sequence[Any]) -> int:
    import pyarrow

    return sum(int(np.sum(np.asarray(pyarrow.array(stat.column("n_steps"))))) for stat in stats)


def _after_tuning(draws: Sequence[Any], stats: Sequence[Any]) -> _Drawn:
    """The draws that count, from one batch of columns a chain."""
    import pyarrow

    def column(batch: Any, name: str, kept: NDArray[np.bool_]) -> NDArray[np.float64]:
        values = pyarrow.array(batch.column(name))
        flat = np.asarray(values.flatten() if pyarrow.types.is_nested(values.type) else values, float)
        return flat.reshape(len(kept), -1)[kept]

    def settled(stat: Any) -> NDArray[np.bool_]:
        return ~np.asarray(pyarrow.array(stat.column("tuning")), bool)

    kept = [settled(stat) for stat in stats]
    columns = {
        name: np.stack([column(batch, name, k) for batch, k in zip(draws, kept, strict=True)])
        for name in Unknowns.names()
    }
    steps = {
        ours: np.stack([column(stat, theirs, k)[:, 0] for stat, k in zip(stats, kept, strict=True)])
        for theirs, ours in STEPS.items()
    }
    return _Drawn(columns, steps)


def diagnose(columns: Mapping[str, NDArray[np.float64]], refits: int, divergences: int = 0) -> Diagnostics:
    """Whether draws are to be believed.

    Parameters
    ----------
    columns : mapping
        Draws of every unknown, (chains, draws, columns).
    refits : int
        Tries before these.
    divergences : int
    """
    from arviz_stats.base import array_stats

    # one row an unknown: (unknown, chain, draw)
    ary = np.moveaxis(np.concatenate([columns[name] for name in Unknowns.names()], axis=2), 2, 0)
    r_hat = np.asarray(array_stats.rhat(ary, chain_axis=1, draw_axis=2))
    bulk = np.asarray(array_stats.ess(ary, chain_axis=1, draw_axis=2, method="bulk"))
    tail = np.asarray(array_stats.ess(ary, chain_axis=1, draw_axis=2, method="tail", prob=(0.05, 0.95)))
    worst = (float(np.max(r_hat)), float(np.min(bulk)), float(np.min(tail)))
    trusted = worst[0] <= R_HAT_MOST and min(worst[1:]) >= ESS_LEAST and divergences == 0
    return Diagnostics(
        *worst,
        divergences=divergences,
        chains=ary.shape[1],
        draws=ary.shape[2],
        refits=refits,
        converged=bool(trusted),
    )
