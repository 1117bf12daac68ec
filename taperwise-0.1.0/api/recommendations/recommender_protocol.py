"""What the desk needs of the model."""

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Protocol

from taperwise.model.inference.engine_prior import EnginePrior
from taperwise.model.population.summary import Summary
from taperwise.shared.recommendation import Holding, Prediction, Suggestion
from taperwise.shared.records import Entry, Installation

__all__ = ["RecommenderProtocol"]


class RecommenderProtocol(Protocol):
    """What the desk needs of the model; `taperwise.model.recommender.Recommender` is it."""

    seed: int

    @property
    def ready(self) -> bool:
        """Whether the sampler is compiled."""
        ...

    def prepare(self, progress: Callable[[str], None] = ...) -> None:
        """Get ready."""
        ...

    def learn(
        self,
        installation: Installation,
        entries: Sequence[Entry],
        prior: EnginePrior | None = None,
        kept: Mapping[str, bytes] | None = None,
    ) -> Any:
        """Learn from a log, with the earlier fits that were kept."""
        ...

    def fit(self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None) -> Any:
        """Fit the posterior alone."""
        ...

    def earlier_keys(
        self, installation: Installation, entries: Sequence[Entry], prior: EnginePrior | None = None
    ) -> tuple[str, ...]:
        """Keys of the fits that `learn` takes from a store."""
        ...

    def look_back(
        self,
        installation: Installation,
        entries: Sequence[Entry],
        prior: EnginePrior | None = None,
        kept: Mapping[str, bytes] | None = None,
    ) -> Any:
        """The fit of an earlier log."""
        ...

    def summarise(self, posterior: Any) -> Summary:
        """What a log says of the unknowns that engines share."""
        ...

    def suggest(self, learned: Any) -> Suggestion:
        """Suggest the next step."""
        ...

    def will_it_hold(self, posterior: Any) -> Holding:
        """Look at the present setting in other air."""
        ...

    def what_if(
        self, posterior: Any, turns: float = 0.0, needle: str | None = None, density: float | None = None
    ) -> Prediction:
        """Predict another setting."""
        ...
