"""The pool: what engines leave for others, with their owners' consent, and what is published of it."""
