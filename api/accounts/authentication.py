"""ASGI middleware: authenticates the caller and limits the request rate."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import structlog
from anyio import CapacityLimiter, to_thread
from limits import parse
from limits.storage import MemoryStorage
from limits.strategies import MovingWindowRateLimiter
from sqlalchemy.exc import SQLAlchemyError
from starlette.datastructures import Headers
from starlette.requests import cookie_parser
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from taperwise.api.accounts import credentials, repository
from taperwise.api.accounts.phones import PHONE_PAGE, Phones
from taperwise.api.accounts.principal import LOCAL, NOBODY, Caller, as_principal
from taperwise.api.accounts.service import SIGNED_IN_FOR, caller_of
from taperwise.api.core.database import Database
from taperwise.api.core.origin import origin_of
from taperwise.api.core.problems import problem
from taperwise.api.core.storage_failures import failure_of
from taperwise.api.core.validation_errors import FieldError

__all__ = ["COOKIE", "JOIN", "SIGN_IN", "Authentication", "Limiter", "cookie_name", "too_often", "unknown"]

COOKIE = "taperwise"
"""Name of the cookie; with the prefix that binds it to this host where it only travels encrypted."""

SIGN_IN = "/sign-in"
JOIN = "/join"
_USED_EVERY = timedelta(minutes=5)  # a key's last use is kept no finer
_READS = ("GET", "HEAD", "OPTIONS")
_THREADS = 4  # in which keys are looked up, each with a connection that nothing else is waited for with
_log = structlog.get_logger("taperwise")


class Limiter:
    """So many requests a minute for each caller, in this process.

    Parameters
    ----------
    a_minute : int
    """

    def __init__(self, a_minute: int) -> None:
        self._limit = parse(f"{a_minute}/minute")
        self._window = MovingWindowRateLimiter(MemoryStorage())

    def admits(self, who: str) -> bool:
        """Count a request, unless it is one too many."""
        return self._window.hit(self._limit, who)

    def seconds(self, who: str) -> int:
        """How long to wait."""
        reset, _ = self._window.get_window_stats(self._limit, who)
        return max(1, int(reset - datetime.now(UTC).timestamp()) + 1)


def cookie_name(encrypted: bool) -> str:
    """The cookie's name."""
    return f"__Host-{COOKIE}" if encrypted else COOKIE


def keep_signed_in(answer: Response, secret: str, encrypted: bool) -> None:
    """Have the browser keep a sign-in's secret, out of reach of scripts and of other sites."""
    answer.set_cookie(
        cookie_name(encrypted), secret, max_age=int(SIGNED_IN_FOR.total_seconds()), path="/", secure=encrypted,
        httponly=True, samesite="lax",
    )  # fmt: skip


class Authentication:
    """ASGI middleware: says who asks, in ``scope["state"]["caller"]`` and for whoever stores something.

    Parameters
    ----------
    database : Database
    with_keys : bool
        Whether people are told apart; if not, whoever reaches the service is this machine's own user.
    encrypted : bool
        Whether browsers reach the service over TLS.
    a_minute : int
        Requests a minute that one caller may make.
    phones : Phones or None
        Who is let in beside this machine's own user, where nobody has a key or a password.
    page : callable
        The answer to a form of nobody known: nothing is led elsewhere, so that no form is taken for recorded.
    """

    def __init__(
        self,
        app: ASGIApp,
        database: Database,
        with_keys: bool,
        encrypted: bool,
        a_minute: int,
        phones: Phones | None,
        page: Callable[[], Response],
    ) -> None:
        self.app, self._page, self._phones = app, page, phones
        self._database, self._with_keys = database, with_keys
        self._cookie = cookie_name(encrypted)
        self._limiter = Limiter(a_minute)
        self._threads = CapacityLimiter(_THREADS)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let in, or refuse."""
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        caller: Caller | Response = LOCAL
        if self._with_keys or self._phones is not None:
            try:
                caller = await to_thread.run_sync(self._ask, scope, limiter=self._threads)
            except SQLAlchemyError as error:
                failure = failure_of(error, scope["method"])
                _log.error("database_failed", error=type(error).__name__, kind=failure.kind)
                caller = problem(failure.status, failure.title, failure.detail)
                caller.headers.update(failure.headers)
        if isinstance(caller, Response):
            await caller(scope, receive, send)
            return
        scope.setdefault("state", {})["caller"] = caller
        with as_principal(caller):
            await self.app(scope, receive, send)

    def _ask(self, scope: Scope) -> "Caller | Response":
        headers = Headers(scope=scope)
        address = (scope.get("client") or ("unknown", 0))[0]
        cookie = cookie_parser(headers.get("cookie", "")).get(self._cookie, "")
        if self._phones is not None:
            caller: Caller | Response = self._phones.caller(address, cookie)
        else:
            caller = self._known(headers, address, cookie)
        if isinstance(caller, Response) or caller is LOCAL:
            return caller
        who = str(caller.person_id or caller.how) if caller.known else f"at {address}"
        if not self._limiter.admits(who):
            return too_often(self._limiter.seconds(who))
        if self._phones is not None and not caller.known and scope["path"].startswith("/api/"):
            return unknown("This device was not let in", "Use the machine of the service, or a phone that was let in.")
        if scope["method"] in _READS:
            return caller
        if caller.by_cookie and origin_of(headers) != "here":
            one = FieldError(field="origin", value=headers.get("origin", "nothing"), message=_ELSEWHERE, cure=_OPEN)
            return problem(403, "Sent from another site", f"origin: {_ELSEWHERE}. {_OPEN}", [one])
        if not caller.known and scope["path"] not in (SIGN_IN, JOIN, PHONE_PAGE):
            return unknown() if scope["path"].startswith("/api/") else self._page()
        return caller

    def _known(self, headers: Headers, address: str, cookie: str) -> "Caller | Response":
        kind, _, secret = headers.get("authorization", "").partition(" ")
        now = datetime.now(UTC)
        if kind:
            found = self._by_key(secret.strip(), now) if kind.lower() == "bearer" else None
            if found is None:
                return self._wrong(address)
            return found
        if not cookie:
            return NOBODY
        with self._database.reading() as session:
            kept = repository.by_cookie(session, credentials.digest(cookie), now)
            return NOBODY if kept is None else caller_of(kept[1], "sign-in", kept[2], by_cookie=True)

    def _by_key(self, secret: str, now: datetime) -> Caller | None:
        with self._database.reading() as session:
            found = repository.by_key(session, credentials.digest(secret))
        if found is None:
            return None
        key, person = found
        if key.last_used_at is None or now - key.last_used_at > _USED_EVERY:
            self._note_use(key.id, now)
        return caller_of(person, f"key {key.id}", key)

    def _note_use(self, key_id: int, now: datetime) -> None:
        """A full disk keeps a key from being noted, not from being used."""
        try:
            with self._database.unit() as session:
                repository.set_last_used(session, key_id, now)
        except SQLAlchemyError as error:
            _log.warning("key_use_not_noted", key=key_id, error=type(error).__name__)

    def _wrong(self, address: str) -> Response:
        who = f"at {address}"
        if not self._limiter.admits(who):
            return too_often(self._limiter.seconds(who))
        cure = "Send `Authorization: Bearer KEY` with a valid key, or ask your administrator for a new one."
        wrong = "The access key is unknown or was revoked"
        one = FieldError(field="authorization", value="…", message=wrong, cure=cure)
        refused = problem(401, "Authentication required", f"authorization: {wrong}. {cure}", [one])
        refused.headers["WWW-Authenticate"] = 'Bearer realm="taperwise", error="invalid_token"'
        return refused


_ELSEWHERE = "A page of another site sent this request"
_OPEN = "Open the page of this service, or send an access key."


def too_often(seconds: int) -> Response:
    """The answer to one request too many."""
    cure = f"Wait {seconds} s."
    one = FieldError(field="request", value="one request too many", message="Too many requests in a minute", cure=cure)
    refused = problem(429, "Too many requests", f"request: Too many requests in a minute. {cure}", [one])
    refused.headers["Retry-After"] = str(seconds)
    return refused


def unknown(
    message: str = "This address needs an access key",
    cure: str = "Send `Authorization: Bearer KEY`. Your administrator can make an access key.",
) -> Response:
    """The answer to nobody known."""
    one = FieldError(field="authorization", value="nothing", message=message, cure=cure)
    refused = problem(401, "Authentication required", f"authorization: {message}. {cure}", [one])
    refused.headers["WWW-Authenticate"] = 'Bearer realm="taperwise"'
    return refused
