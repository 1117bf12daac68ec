"""Settings of the service, from the environment (prefix ``EIGHTH_TURN_``) or the command line."""

import ipaddress
from functools import cached_property
from pathlib import Path
from typing import Any

from platformdirs import user_cache_path, user_data_path
from pydantic import Field, ValidationError, field_validator
from pydantic_settings import BaseSettings, SettingsConfigDict

from shared.errors import InvalidValueError

__all__ = ["Settings"]


class Settings(BaseSettings):
    """All settings, each with its default.

    Parameters
    ----------
    data_folder : Path
        Where the SQLite database lives; the user's data folder by default.
    cache_folder : Path
        Where compiled code is kept between starts; the user's cache folder by default.
    database_url : str
        SQLAlchemy URL; empty for SQLite in the data folder.
    host, port : str, int
        Address to listen on; loopback only in this release.
    seed : int
        Seed of the sampler: the same log and seed give the same answer.
    max_body_bytes : int
        Largest request body accepted [bytes].
    remembered : int
        Posteriors kept in memory for what-if questions.
    worker : bool
        Whether `serve` also makes the answers that wait, beside the requests.
    pool_floor : int
        Distinct owners behind anything the pool publishes; 3 at the least.

    Raises
    ------
    InvalidValueError
        If a setting cannot be used.
    """

    model_config = SettingsConfigDict(env_prefix="EIGHTH_TURN_", extra="ignore", frozen=True)

    data_folder: Path = Field(default_factory=lambda: user_data_path("eighth-turn"))
    cache_folder: Path = Field(default_factory=lambda: user_cache_path("eighth-turn"))
    database_url: str = ""
    host: str = "127.0.0.1"
    port: int = Field(8765, ge=1, le=65535)
    seed: int = Field(20_260_101, ge=0, le=2**31)
    max_body_bytes: int = Field(16 * 1024 * 1024, ge=1024, le=64 * 1024 * 1024)
    remembered: int = Field(16, ge=1, le=1000)
    worker: bool = True
    pool_floor: int = Field(5, ge=3, le=1000)

    def __init__(self, **given: Any) -> None:
        try:
            super().__init__(**given)
        except ValidationError as error:
            first = error.errors()[0]
            name = str(first["loc"][0])
            source = f"--{name.replace('_', '-')} or EIGHTH_TURN_{name.upper()}"
            raise InvalidValueError(
                first["msg"].removeprefix("Value error, "),
                field=name,
                value=first["input"],
                cure=f"Set {source}, or leave it at its default.",
            ) from None

    @field_validator("host")
    @classmethod
    def _loopback(cls, host: str) -> str:
        if host != "localhost":
            try:
                loopback = ipaddress.ip_address(host).is_loopback
            except ValueError:
                loopback = False
            if not loopback:
                raise ValueError(
                    "this release has no keys yet and listens on this machine only: 127.0.0.1, ::1 or localhost"
                )
        return host

    @cached_property
    def url(self) -> str:
        """The database URL in force."""
        return self.database_url or f"sqlite:///{self.data_folder / 'eighth-turn.db'}"
