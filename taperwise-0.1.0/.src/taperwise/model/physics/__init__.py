"""How an engine answers to its settings, and what is believed of it before any run: the one forward model."""
