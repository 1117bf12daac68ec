"""Structured log lines on standard error: for people at a terminal, one JSON object each elsewhere; never a secret."""

import logging
import re
import sys
from collections.abc import Iterable
from typing import Any

import structlog

__all__ = ["configure", "without_secrets"]

_HIDDEN = "…"
_NAMES = r"authorization|proxy-authorization|cookie|set-cookie|password|passwd|pwd|secret|token|api[-_]?key|x-api-key"
_NAMED = re.compile(rf"^({_NAMES})$", re.IGNORECASE)
_WRITTEN = (
    (re.compile(r"(://)[^/\s@]*@"), r"\1…@"),  # who signs in to a database, and with what
    (re.compile(r"\b(bearer|basic|digest)\s+[\w.~+/=:-]+", re.IGNORECASE), r"\1 …"),
    (re.compile(rf"""\b({_NAMES})(["']?\s*[:=,]\s*b?)("[^"\n]*"|'[^'\n]*'|[^\s"']\S*)""", re.IGNORECASE), r"\1\2…"),
)


class without_secrets:  # noqa: N801 - used as the function it stands for
    """A processor of log lines: what signs somebody in is hidden, by the name it goes by and by how it is written.

    Parameters
    ----------
    known : iterable of str
        Secrets that are hidden wherever they stand, such as the database's password.
    """

    def __init__(self, known: Iterable[str] = ()) -> None:
        self._known = sorted((each for each in known if each), key=len, reverse=True)

    def __call__(self, _logger: Any, _method: str, line: structlog.typing.EventDict) -> structlog.typing.EventDict:
        """The line without them."""
        return {name: self._clean(name, value) for name, value in line.items()}

    def _clean(self, name: str, value: Any) -> Any:
        if _NAMED.match(name):
            return _HIDDEN
        if isinstance(value, dict):
            return {str(inner): self._clean(str(inner), each) for inner, each in value.items()}
        if isinstance(value, list | tuple):
            return [self._clean("", each) for each in value]
        if isinstance(value, int | float | None):
            return value
        # loggingredactor leaves some objects as they are: test_secrets_are_known_by_how_they_are_written[line6]
        text = value if isinstance(value, str) else repr(value)
        for secret in self._known:
            text = text.replace(secret, _HIDDEN)
        for pattern, instead in _WRITTEN:
            text = pattern.sub(instead, text)
        return text


class _OnStandardError(logging.Handler):
    """Looks standard error up anew each time: it may be replaced."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write one line."""
        print(self.format(record), file=sys.stderr)


def configure(secrets: Iterable[str] = ()) -> None:
    """Set up logging for the service, and for the libraries under it.

    Parameters
    ----------
    secrets : iterable of str
        Hidden wherever they stand.
    """
    first: list[structlog.typing.Processor] = [
        structlog.contextvars.merge_contextvars,
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
    ]
    last: list[structlog.typing.Processor] = [structlog.processors.format_exc_info, without_secrets(secrets)]
    told: structlog.typing.Processor = (
        structlog.dev.ConsoleRenderer() if sys.stderr.isatty() else structlog.processors.JSONRenderer()
    )
    structlog.configure(
        processors=[*first, *last, told],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=lambda *_: structlog.PrintLogger(sys.stderr),  # looked up anew each time: it may be replaced
    )
    handler = _OnStandardError(logging.WARNING)
    handler.setFormatter(
        structlog.stdlib.ProcessorFormatter(
            foreign_pre_chain=first,
            processors=[structlog.stdlib.ProcessorFormatter.remove_processors_meta, *last, told],
        )
    )
    logging.getLogger().handlers = [handler]
