"""Benchmarks anyone can run: each prints one JSON object as its last line."""
