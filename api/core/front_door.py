"""What a request passes first: the proxies that may pass it on, the names it may come under, the prefix it carries."""

import ipaddress
import re
from collections.abc import Sequence

from fastapi import FastAPI
from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware.gzip import GZipMiddleware
from starlette.middleware.trustedhost import TrustedHostMiddleware
from starlette.responses import RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from taperwise.api.core.problems import MEDIA_TYPE, problem
from taperwise.api.core.settings import LOCAL_NAMES, Settings
from taperwise.api.core.validation_errors import FieldError, shown

__all__ = ["OnlyKnownNames", "OnlyProxies", "UnderPrefix", "install"]

_ADDRESSES = {
    "text/html": re.compile(rb'(\s(?:href|src|action|formaction|hx-get|hx-post)=")/(?!/)'),
    MEDIA_TYPE: re.compile(rb'(^\{"type":")/(?!/)'),
}
"""Where an address of ours stands in an answer that is one whole, by its media type."""

_LINK = re.compile(rb'("link":")/(?!/)')
"""Where it stands in an event of a stream."""

_REDIRECTS = ("location", "hx-redirect")


def install(app: FastAPI, settings: Settings) -> None:
    """Let requests in as the settings say, the proxies first."""
    if settings.names or not settings.for_others or settings.access == "phone":
        own = (settings.host,) if settings.for_others else ()
        app.add_middleware(OnlyKnownNames, names=(*settings.names, *own))
    if settings.transport == "proxy":
        app.add_middleware(ProxyHeadersMiddleware, trusted_hosts=list(settings.proxies))
        app.add_middleware(OnlyProxies, proxies=settings.proxies)
    if settings.root_path:  # outside the others: their problem documents get the prefix too
        app.servers = [{"url": settings.root_path}]
        app.add_middleware(UnderPrefix, prefix=settings.root_path)
        app.add_middleware(GZipMiddleware, minimum_size=1000)


class OnlyProxies:
    """ASGI middleware: what comes past the proxies is refused, because nothing on that way was encrypted.

    Parameters
    ----------
    proxies : sequence of str
        Addresses and networks.
    """

    def __init__(self, app: ASGIApp, proxies: Sequence[str]) -> None:
        self.app = app
        self._networks = [ipaddress.ip_network(each) for each in proxies]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let in what a proxy passes on; a connection without an address is a socket of this machine."""
        client = scope.get("client")
        if scope["type"] == "http" and client is not None and not self._known(client[0]):
            cure = "Use the address of the proxy, or name the proxy in TAPERWISE_TRUSTED_PROXIES."
            message = "only trusted proxies reach this port"
            one = FieldError(field="address", value=shown(client[0]), message=message, cure=cure)
            said = f"address: {message} (got {one.value}). {cure}"
            await problem(403, "Not from a trusted proxy", said, [one])(scope, receive, send)
            return
        await self.app(scope, receive, send)

    def _known(self, address: str) -> bool:
        try:
            found = ipaddress.ip_address(address)
        except ValueError:
            return False
        plain = getattr(found, "ipv4_mapped", None) or found
        return any(plain in network for network in self._networks)


class OnlyKnownNames:
    """ASGI middleware: a request under any other host name is refused, with a problem document.

    A name that somebody else owns can be pointed at this machine after a page was loaded from it; the
    browser would then let that page read and write here. Such a request carries the foreign name.

    Parameters
    ----------
    names : sequence of str
        Public names, beside those of this machine.
    """

    def __init__(self, app: ASGIApp, names: Sequence[str] = ()) -> None:
        self.app, self._names = app, (*LOCAL_NAMES, *names)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let Starlette check the host, then go on; its own refusal is not sent."""
        known = False

        async def note(*_request: object) -> None:
            nonlocal known
            known = True

        async def drop(_message: object) -> None:
            pass

        await TrustedHostMiddleware(note, self._names, www_redirect=False)(scope, receive, drop)
        await (self.app if known else self._refuse)(scope, receive, send)

    async def _refuse(self, scope: Scope, receive: Receive, send: Send) -> None:
        cure = f"Use one of {', '.join(self._names)}, or add the name to TAPERWISE_PUBLIC_NAMES."
        host = Headers(scope=scope).get("host", "")
        one = FieldError(field="host", value=shown(host), message="this is not a name of this service", cure=cure)
        response = problem(421, "Not a name of this service", f"host: {one.message} (got {one.value}). {cure}", [one])
        await response(scope, receive, send)


class UnderPrefix:
    """ASGI middleware: the service stands at the root, and its addresses get the prefix on their way out.

    Whether the proxy passes the prefix on or takes it off is the same. In pages a quote in what somebody typed is
    escaped, so nothing but an address of ours is changed. Behind it nothing is compressed: compressed addresses could
    not be changed.

    Parameters
    ----------
    prefix : str
        Such as ``/tuning``.
    """

    def __init__(self, app: ASGIApp, prefix: str) -> None:
        self.app, self._prefix = app, prefix

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Take the prefix off the request, and put it into the answer."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        plain = [(name, value) for name, value in scope.get("headers", ()) if name != b"accept-encoding"]
        scope = {**scope, "headers": plain}
        path = scope["path"]
        if path == self._prefix:
            await RedirectResponse(f"{self._prefix}/", 308)(scope, receive, send)
            return
        if path.startswith(f"{self._prefix}/"):
            raw = scope.get("raw_path") or path.encode()
            cut = len(self._prefix)
            scope = {**scope, "path": path[cut:], "raw_path": raw[cut:]}
        await self.app(scope, receive, _Outwards(self._prefix, send, head=scope["method"] == "HEAD"))


class _Outwards:
    """Sends one answer, its redirects and the addresses in a page, a problem or an event under the prefix."""

    def __init__(self, prefix: str, send: Send, *, head: bool) -> None:
        self._prefix, self._send, self._head = prefix, send, head
        self._start: Message | None = None
        self._kind = ""
        self._page = b""

    async def __call__(self, message: Message) -> None:
        """Send a part of the answer; a page or a problem is sent once it is whole, an event at once."""
        if message["type"] == "http.response.start":
            headers = MutableHeaders(raw=message["headers"])
            for name in _REDIRECTS:
                if (to := headers.get(name, "")).startswith("/") and not to.startswith("//"):
                    headers[name] = f"{self._prefix}{to}"
            self._kind = headers.get("content-type", "").partition(";")[0]
            if self._kind in _ADDRESSES:
                self._start = message
                return
        if self._kind == "text/event-stream" and "body" in message:
            message = {**message, "body": self._with_prefix(_LINK, message["body"])}
        if self._start is None:
            await self._send(message)
            return
        self._page += message.get("body", b"")
        if message.get("more_body"):
            return
        page = self._with_prefix(_ADDRESSES[self._kind], self._page)
        headers = MutableHeaders(raw=self._start["headers"])
        if self._head:
            del headers["content-length"]
        else:
            headers["content-length"] = str(len(page))
        await self._send(self._start)
        await self._send({**message, "body": page})

    def _with_prefix(self, addresses: re.Pattern[bytes], body: bytes) -> bytes:
        return addresses.sub(rb"\g<1>" + self._prefix.encode() + b"/", body)
