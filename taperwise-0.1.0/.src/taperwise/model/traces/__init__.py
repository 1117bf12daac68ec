"""A logger's trace of the leaning sweep, read: rises with their errors, the odd cylinder, what other columns show."""
