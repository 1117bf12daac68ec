"""The JSON the service speaks, and its translation into records and back."""
