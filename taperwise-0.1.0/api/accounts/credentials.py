"""Keys and passwords: made here, shown once, kept as digests.

A key holds 256 random bits, so its SHA-256 cannot be turned back and a slow hash would guard nothing more; a password
is chosen by a person, so it is kept under Argon2id with the library's defaults (RFC 9106, section 4, the second
recommended choice).
"""

import base64
import hashlib
import secrets
from functools import cache

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError

__all__ = ["KEY_PREFIX", "as_secret", "digest", "hash_password", "new_secret", "verify_password", "wants_new_hash"]

KEY_PREFIX = "et_"
"""Keys begin so: a scanner for lost secrets can find them."""

_HASHER = PasswordHasher()


def new_secret() -> str:
    """A key or a cookie: 256 random bits."""
    return as_secret(secrets.token_bytes(32))


def as_secret(bits: bytes) -> str:
    """Bits as a key or a cookie."""
    return KEY_PREFIX + base64.urlsafe_b64encode(bits).rstrip(b"=").decode()


def digest(secret: str) -> str:
    """What is kept of a key or a cookie."""
    return hashlib.sha256(secret.encode()).hexdigest()


def hash_password(password: str) -> str:
    """What is kept of a password."""
    return _HASHER.hash(password)


@cache
def _nobodys() -> str:
    return hash_password(secrets.token_urlsafe(32))


def verify_password(password: str, kept: str | None) -> bool:
    """Whether a password is the one kept; as slow where none is, so that nobody learns which names there are."""
    try:
        return _HASHER.verify(kept or _nobodys(), password) and kept is not None
    except (VerificationError, InvalidHashError):
        return False


def wants_new_hash(kept: str) -> bool:
    """Whether the library's defaults have moved on since a password was kept."""
    return _HASHER.check_needs_rehash(kept)
