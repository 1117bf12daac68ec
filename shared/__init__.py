"""The vocabulary every other room speaks: units, records, limits, errors, cautions. Imports nothing of ours."""
