"""Benches, from a checkout: ``python -m tests.benchmarks NAME``. Each loads what it needs only when it is called."""
