"""The log of an installation: runs and adjustments, in the order in which they happened."""
