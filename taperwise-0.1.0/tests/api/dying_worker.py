"""A worker in a process of its own that dies at a step: ``python -m tests.api.dying_worker URL STEP``."""

import os
import sys
from collections.abc import Callable
from typing import Any

from taperwise.api.background.worker import Worker
from taperwise.api.core.database import Database
from taperwise.api.recommendations import repository
from taperwise.api.recommendations.service import RecommendationService
from tests.api.conftest import StandIn

__all__ = ["STEPS"]

STEPS = ("before it begins", "while learning", "once learned", "while storing", "before it is stored", "once stored")


def _dies(before: bool, real: Callable[..., Any]) -> Callable[..., Any]:
    def call(*args: Any, **named: Any) -> Any:
        if not before:
            real(*args, **named)
        os._exit(9)  # as a power cut would: nothing is tidied up

    return call


def _main(url: str, step: str) -> None:
    before = step in ("before it begins", "while learning", "while storing")
    place: dict[str, tuple[Any, str]] = {
        "before it begins": (Worker, "_make"),
        "while learning": (StandIn, "learn"),
        "once learned": (StandIn, "suggest"),
        "while storing": (repository, "put"),
        "before it is stored": (repository, "keep_earlier_fits"),
        "once stored": (Worker, "_make"),
    }
    owner, name = place[step]
    setattr(owner, name, _dies(before, getattr(owner, name)))
    Worker(Database(url), RecommendationService(StandIn, 7)).work_once()


if __name__ == "__main__":
    _main(*sys.argv[1:])
