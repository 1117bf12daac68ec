"""Phones that a one-time key lets in beside this machine's own user, where sign-in is off."""

import ipaddress
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import segno

from taperwise.api.accounts import credentials
from taperwise.api.accounts.principal import LOCAL, NOBODY, Caller
from taperwise.api.core.settings import Settings

__all__ = ["GOOD_FOR", "PHONE", "PHONE_PAGE", "Phones", "code_of"]

GOOD_FOR = timedelta(minutes=15)
"""How long a one-time key works."""

PHONE_PAGE = "/phone"

PHONE = Caller("phone", everything=True, by_cookie=True)


def _now() -> datetime:
    return datetime.now(UTC)


class Phones:
    """Who was let in. All of it is in this process: once the service ends, no phone is let in any more.

    Parameters
    ----------
    now : callable, optional
        The clock.
    """

    def __init__(self, now: Callable[[], datetime] = _now) -> None:
        self._now = now
        self._lock = threading.Lock()
        self._key = ""
        self._until = now()
        self._let_in: set[str] = set()

    def new_key(self) -> str:
        """A key that lets one phone in; one made before works no longer."""
        secret = credentials.new_secret()
        with self._lock:
            self._key, self._until = credentials.digest(secret), self._now() + GOOD_FOR
        return secret

    def new_link(self, settings: Settings) -> str:
        """The address on the network that opens the page with a new key."""
        name = next(iter(settings.names), f"[{settings.host}]" if ":" in settings.host else settings.host)
        scheme = "https" if settings.encrypted else "http"
        return f"{scheme}://{name}:{settings.port}{settings.root_path}{PHONE_PAGE}?key={self.new_key()}"

    def opens(self, key: str) -> bool:
        """Whether a key still lets a phone in."""
        return self._key == credentials.digest(key) and self._now() < self._until

    def let_in(self, key: str) -> str | None:
        """Use a key up: what is handed back is the phone's cookie; None for a key that lets nobody in."""
        cookie = credentials.new_secret()
        with self._lock:
            if not self.opens(key):
                return None
            self._key = ""
            self._let_in.add(credentials.digest(cookie))
        return cookie

    def caller(self, address: str, cookie: str) -> Caller:
        """The user of this machine by its address, a phone by its cookie, or nobody."""
        try:
            here = ipaddress.ip_address(address).is_loopback
        except ValueError:
            here = False
        return LOCAL if here else PHONE if credentials.digest(cookie) in self._let_in else NOBODY


def code_of(link: str) -> segno.QRCode:
    """A link as a code to scan."""
    return segno.make_qr(link, error="l")
