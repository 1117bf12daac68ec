"""What can be watched of a running service: figures for Prometheus, spans for OpenTelemetry."""
