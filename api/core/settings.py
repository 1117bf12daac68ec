"""Settings of the service, from the environment (prefix ``TAPERWISE_``) or the command line."""

import ipaddress
import re
from functools import cached_property
from pathlib import Path
from typing import Any, Literal

from platformdirs import user_cache_path, user_data_path
from pydantic import Field, ValidationError
from pydantic_settings import BaseSettings, SettingsConfigDict

from taperwise.shared.errors import InvalidValueError

__all__ = ["COMMON", "LOCAL_NAMES", "Settings"]

LOCAL_NAMES = ("localhost", "127.0.0.1", "[::1]")
"""Names of this machine, which are always answered where it listens."""

COMMON = ("cache_folder", "seed", "pool_floor")
"""Settings without an option of `serve`: other commands must see the same."""

_NAME = re.compile(r"(\*\.)?[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?")
_PREFIX = re.compile(r"(/[A-Za-z0-9._~-]+)*")


class Settings(BaseSettings):
    """All settings, each with its default.

    Parameters
    ----------
    data_folder : Path
        Folder of the SQLite database.
    cache_folder : Path
        Folder of the compiled model. The service runs the code in it, so only the service may write there.
    database_url : str
        Another database, as a SQLAlchemy URL. If empty, SQLite in the data folder.
    host : str
        Address to listen on. Other machines reach the service only with access keys and a transport.
    port : int
        Port to listen on.
    access : str
        ``local``: sign-in is off. ``phone``: sign-in is off on this machine, and phones on its network are let in by a
        one-time key. ``keys``: sign-in is on.
    transport : str
        How other machines reach the service. ``tls``: encrypted here, with the two files. ``proxy``: a proxy in front
        of the service encrypts, and passes the host name on. ``plain``: not encrypted, so everyone on the way can read
        along. If empty, other machines cannot reach it.
    public_names : str
        Host names under which browsers reach the service, with commas between them. A name such as ``*.example.org``
        stands for all names below. Names of this machine are always known to a service that listens there.
    trusted_proxies : str
        Addresses and networks of the proxies, with commas between them, for ``proxy``. Only they reach the port, and
        their ``X-Forwarded-For`` and ``X-Forwarded-Proto`` are believed.
    root_path : str
        Prefix of all addresses behind a proxy, such as ``/tuning``.
    tls_certificate : Path or None
        File of the certificate, for ``tls``.
    tls_key : Path or None
        File of the certificate's key, for ``tls``.
    requests_a_minute : int
        Requests that one caller can make in a minute, if sign-in is on.
    sign_ins_a_minute : int
        Sign-ins that one address, or one name, can try in a minute.
    wait_seconds : float
        How long a request waits for its result, from its arrival on [s]. Later the answer is when to ask again, and the
        result is calculated meanwhile.
    seed : int
        Seed of the calculation. The same log and seed give the same result.
    max_body_bytes : int
        Largest request body accepted [bytes].
    worker : bool
        Whether `serve` also calculates stale results in the background.
    pool_floor : int
        Distinct owners that everything published from the pool must rest on; at least 3.

    Raises
    ------
    InvalidValueError
        If a setting cannot be used.
    """

    model_config = SettingsConfigDict(env_prefix="TAPERWISE_", extra="ignore", frozen=True)

    data_folder: Path = Field(default_factory=lambda: user_data_path("taperwise"))
    cache_folder: Path = Field(default_factory=lambda: user_cache_path("taperwise"))
    database_url: str = ""
    host: str = "127.0.0.1"
    port: int = Field(8765, ge=1, le=65535)
    access: Literal["local", "phone", "keys"] = "local"
    transport: Literal["", "tls", "proxy", "plain"] = ""
    public_names: str = ""
    trusted_proxies: str = "127.0.0.1,::1"
    root_path: str = ""
    tls_certificate: Path | None = None
    tls_key: Path | None = None
    requests_a_minute: int = Field(600, ge=10, le=1_000_000)
    sign_ins_a_minute: int = Field(10, ge=1, le=1000)
    wait_seconds: float = Field(4.0, ge=0.0, le=3600.0)
    seed: int = Field(20_260_101, ge=0, le=2**31)
    max_body_bytes: int = Field(16 * 1024 * 1024, ge=1024, le=64 * 1024 * 1024)
    worker: bool = True
    pool_floor: int = Field(5, ge=3, le=1000)

    def __init__(self, **given: Any) -> None:
        try:
            super().__init__(**given)
        except ValidationError as error:
            first = error.errors()[0]
            name = str(first["loc"][0])
            option = "" if name in COMMON else f"--{name.replace('_', '-')} or "
            source = f"{option}TAPERWISE_{name.upper()}"
            raise InvalidValueError(
                first["msg"].removeprefix("Value error, "),
                field=name,
                value=first["input"],
                cure=f"Correct {source}, or unset it to use the default.",
            ) from None
        self._check_reach()
        self._check_front()

    def _check_reach(self) -> None:
        """Nobody else is let in by mistake, and no key travels in the open by mistake."""
        if self.for_others and self.access == "local":
            raise InvalidValueError(
                "You asked to listen beyond this machine with sign-in off. Anyone on the network could use the service",
                field="host",
                value=self.host,
                cure="Listen on 127.0.0.1 (--host or TAPERWISE_HOST), or let phones in with `taperwise serve --phone`. "
                "Or make an administrator (`taperwise person add NAME --role administrator`, `taperwise key new NAME`) "
                "and set TAPERWISE_ACCESS=keys.",
            )
        if self.for_others and not self.transport and self.access == "keys":
            raise InvalidValueError(
                "Access keys would be sent unencrypted",
                field="transport",
                value="nothing",
                cure="Set TAPERWISE_TRANSPORT to tls, with the files in TAPERWISE_TLS_CERTIFICATE and "
                "TAPERWISE_TLS_KEY. Set it to proxy if a proxy in front of the service encrypts, or to plain on a "
                "network that you trust.",
            )
        if self.transport == "tls" and not (self.tls_certificate and self.tls_key):
            missing = "tls_key" if self.tls_certificate else "tls_certificate"
            raise InvalidValueError(
                "TLS needs a certificate and its private key", field=missing, value="nothing",
                cure=f"Set TAPERWISE_{missing.upper()} to the path of the file.",
            )  # fmt: skip

    def _check_front(self) -> None:
        """Names, proxies and prefix are what they should be."""
        if self.access == "phone" and self.transport == "proxy":
            raise InvalidValueError(
                "A proxy on this machine would let everyone in as this machine's own user", field="transport",
                value="proxy", cure="Set TAPERWISE_ACCESS=keys behind a proxy, or let phones in without a proxy.",
            )  # fmt: skip
        for name in self.names:
            if not _NAME.fullmatch(name):
                raise InvalidValueError(
                    "this is no host name", field="public_names", value=name,
                    cure="Give names such as tuning.example.org, without scheme, port and path.",
                )  # fmt: skip
        for proxy in self.proxies:
            try:
                ipaddress.ip_network(proxy)
            except ValueError:
                raise InvalidValueError(
                    "this is no address or network", field="trusted_proxies", value=proxy,
                    cure="Give addresses such as 127.0.0.1, or networks such as 10.89.0.0/24.",
                ) from None  # fmt: skip
        if not _PREFIX.fullmatch(self.root_path):
            raise InvalidValueError(
                "this is no prefix of addresses", field="root_path", value=self.root_path,
                cure="Give a path that begins with a stroke and ends without one, such as /tuning.",
            )  # fmt: skip

    @property
    def names(self) -> tuple[str, ...]:
        """Public names, one by one."""
        return tuple(name.strip() for name in self.public_names.split(",") if name.strip())

    @property
    def proxies(self) -> tuple[str, ...]:
        """Addresses and networks of trusted proxies, one by one."""
        return tuple(each.strip() for each in self.trusted_proxies.split(",") if each.strip())

    @property
    def for_others(self) -> bool:
        """Whether it listens where other machines can reach it."""
        try:
            return self.host != "localhost" and not ipaddress.ip_address(self.host).is_loopback
        except ValueError:
            return True

    @property
    def encrypted(self) -> bool:
        """Whether browsers reach it over TLS."""
        return self.transport in ("tls", "proxy")

    @cached_property
    def url(self) -> str:
        """The database URL in force."""
        return self.database_url or f"sqlite:///{self.data_folder / 'taperwise.db'}"
