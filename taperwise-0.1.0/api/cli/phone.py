"""What ``taperwise serve --phone`` adds: an address on the hangar's network, and a code that lets one phone in."""

import io
import ipaddress
import socket

import typer

from taperwise.api.accounts.phones import GOOD_FOR, Phones, code_of
from taperwise.api.core.settings import Settings
from taperwise.shared.errors import InvalidValueError

__all__ = ["for_phones", "let_phone_in"]

_PLAIN = (
    "Not encrypted: anyone on this network can read along, and can take over what the phone may do. Without a signal "
    "the phone keeps the entries you make and the page that is open. It keeps no copies of other pages: browsers keep "
    "those over https only (see --transport tls)."
)
_TLS = (
    "Encrypted with your certificate. The phone keeps copies of pages only if it trusts that certificate: install the "
    "certificate on the phone first."
)
_ANYWHERE = ("192.0.2.1", 9)  # an address of documentation (RFC 5737, section 3), to which nothing is sent


def for_phones(settings: Settings) -> Settings:
    """Settings that let phones in, on the address of this machine unless one is given.

    Raises
    ------
    InvalidValueError
        If sign-in is on, or this machine has no address on a network.
    """
    if settings.access == "keys":
        raise InvalidValueError(
            "Sign-in is on, so a phone signs in like any browser", field="phone", value="--phone",
            cure="Leave --phone out. Sign in on the phone with a key, or with name and password.",
        )  # fmt: skip
    given = settings.host if settings.for_others and settings.host not in ("0.0.0.0", "::") else ""  # noqa: S104 - read
    named = settings.model_dump(exclude_unset=True) | {"access": "phone", "host": given or _own_address()}
    return Settings(**named)


def let_phone_in(phones: Phones, settings: Settings) -> None:
    """Print the link that lets one phone in, also as a code to scan, and what is encrypted."""
    link, drawn = phones.new_link(settings), io.StringIO()
    code_of(link).terminal(drawn, compact=True, border=2)
    minutes = round(GOOD_FOR.total_seconds() / 60)
    typer.echo(f"Scan this code with the phone, or open the link below it. It works once, within {minutes} minutes:")
    typer.echo(drawn.getvalue())
    typer.echo(link)
    typer.echo(_TLS if settings.encrypted else _PLAIN)


def _own_address() -> str:
    """The address of this machine on its network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect(_ANYWHERE)
            return str(asking.getsockname()[0])
        except OSError:
            pass
    try:
        found = socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
    except OSError:
        found = []
    for *_, at in found:
        if not ipaddress.ip_address(at[0]).is_loopback:
            return str(at[0])
    raise InvalidValueError(
        "This machine has no address on a network", field="host", value="nothing",
        cure="Join the hangar's network, or name the address with --host.",
    )  # fmt: skip
