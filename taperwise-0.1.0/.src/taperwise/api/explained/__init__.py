"""The model explained, for the builder and for the statistician: text, tables and figures, all of them made here."""
