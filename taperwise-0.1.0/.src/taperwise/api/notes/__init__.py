"""Notes that an adviser leaves at an installation."""
