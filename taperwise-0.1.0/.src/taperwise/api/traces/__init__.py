"""Logger traces: read from any table of columns, and from a trace the sweep."""
