"""The vocabulary every other room speaks: units, records, limits, errors, reasons. Imports nothing of ours."""
