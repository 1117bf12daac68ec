"""Refitting a fleet after the model changed."""
