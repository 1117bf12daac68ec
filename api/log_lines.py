"""Structured log lines on standard error: for people at a terminal, one JSON object each elsewhere."""

import logging
import sys

import structlog

__all__ = ["configure"]


def configure() -> None:
    """Set up logging for the service."""
    told: list[structlog.typing.Processor] = (
        [structlog.dev.ConsoleRenderer()]
        if sys.stderr.isatty()
        else [structlog.processors.format_exc_info, structlog.processors.JSONRenderer()]
    )
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            *told,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(logging.INFO),
        logger_factory=lambda *_: structlog.PrintLogger(sys.stderr),  # looked up anew each time: it may be replaced
    )
