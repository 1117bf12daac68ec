"""What the pool's routes ask for beside the usual: the floor."""

from typing import Annotated

from fastapi import Depends, Request

__all__ = ["Floor"]


async def _floor(request: Request) -> int:
    floor: int = request.app.state.pool_floor
    return floor


Floor = Annotated[int, Depends(_floor)]
