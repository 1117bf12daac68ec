"""What the pool's routes ask for beside the usual: the floor, and who fits a population."""

from typing import Annotated

from fastapi import Depends, Request

from taperwise.api.pooling.fitting import Fitter

__all__ = ["Fit", "Floor"]


def _floor(request: Request) -> int:
    floor: int = request.app.state.pool_floor
    return floor


def _fitter(request: Request) -> Fitter:
    fitter: Fitter = request.app.state.fitter
    return fitter


Floor = Annotated[int, Depends(_floor)]
Fit = Annotated[Fitter, Depends(_fitter)]
