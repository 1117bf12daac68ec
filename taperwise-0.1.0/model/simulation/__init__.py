"""Virtual engines, and the rule of thumb that tunes them."""
