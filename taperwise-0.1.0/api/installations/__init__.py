"""Installations: set up, listed, shown."""
