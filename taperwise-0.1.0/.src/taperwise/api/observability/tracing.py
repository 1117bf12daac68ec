"""Spans around the request, learning and storing; none are made unless the usual ``OTEL_`` variables ask for them."""

import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from opentelemetry.propagate import extract
from opentelemetry.trace import NoOpTracerProvider, Span, SpanKind

from taperwise.shared.errors import InvalidValueError

__all__ = ["NO_SPANS", "Spans", "spans_asked_for"]

_ASKS = ("OTEL_EXPORTER_OTLP_ENDPOINT", "OTEL_EXPORTER_OTLP_TRACES_ENDPOINT", "OTEL_TRACES_EXPORTER")


class Spans:
    """Makes spans with a provider; without one, spans that nobody keeps.

    Parameters
    ----------
    provider : TracerProvider, optional
        Of OpenTelemetry's SDK.
    """

    def __init__(self, provider: Any = None) -> None:
        self._provider = provider
        self._tracer = (NoOpTracerProvider() if provider is None else provider).get_tracer("taperwise")

    @contextmanager
    def span(self, name: str, *, within: Mapping[str, str] | None = None, **attributes: str | int) -> Iterator[Span]:
        """A span around what is done inside; what goes wrong there is told by its kind alone, without any text.

        Parameters
        ----------
        name : str
        within : mapping, optional
            Headers of a request: the span belongs to the trace that they carry, read as ``OTEL_PROPAGATORS`` says.
        **attributes
            Each under ``taperwise.``.
        """
        # instrumentation-asgi names it by the path that was sent: test_spans_around_request_learning_and_storing
        with self._tracer.start_as_current_span(
            name,
            context=None if within is None else extract(within),
            kind=SpanKind.INTERNAL if within is None else SpanKind.SERVER,
            record_exception=False,
            set_status_on_exception=False,
        ) as span:
            span.set_attributes({f"taperwise.{key}": value for key, value in attributes.items()})
            try:
                yield span
            except BaseException as error:
                span.set_attribute("error.type", type(error).__name__)
                raise

    def close(self) -> None:
        """Send what is left."""
        if self._provider is not None:
            self._provider.shutdown()


NO_SPANS = Spans()


def spans_asked_for(environment: Mapping[str, str] = os.environ) -> Spans:
    """Spans where the environment asks for them.

    Raises
    ------
    InvalidValueError
        If it asks for them and OpenTelemetry is not installed, or for an exporter that is not known here.
    """
    asked = [name for name in _ASKS if environment.get(name, "").strip()]
    kind = environment.get("OTEL_TRACES_EXPORTER", "").strip().lower() or "otlp"
    if not asked or kind == "none" or environment.get("OTEL_SDK_DISABLED", "").strip().lower() == "true":
        return NO_SPANS
    if kind not in ("otlp", "console"):
        raise InvalidValueError(
            "This exporter is unknown",
            field="OTEL_TRACES_EXPORTER",
            value=kind,
            cure="Use otlp, console or none.",
        )
    try:
        return Spans(_provider(kind))
    except ModuleNotFoundError:
        raise InvalidValueError(
            "Traces of requests need OpenTelemetry",
            field=asked[0],
            value=kind,
            cure="Install the otel extra (pip install 'taperwise[otel]'), or unset the variable.",
        ) from None


def _provider(kind: str) -> Any:
    from opentelemetry.exporter.otlp.proto.http.trace_exporter import OTLPSpanExporter  # all of it is optional
    from opentelemetry.sdk.resources import Resource
    from opentelemetry.sdk.trace import TracerProvider
    from opentelemetry.sdk.trace.export import BatchSpanProcessor, ConsoleSpanExporter

    name = {} if os.environ.get("OTEL_SERVICE_NAME") else {"service.name": "taperwise"}
    provider = TracerProvider(resource=Resource.create(name))
    exporter = ConsoleSpanExporter() if kind == "console" else OTLPSpanExporter()
    provider.add_span_processor(BatchSpanProcessor(exporter))
    return provider
