"""Physics, priors, likelihood, posterior and the choice of the next step. Pure: no clock, database or environment."""

MODEL_VERSION = "25"
"""Raised whenever the same log could give another answer."""
