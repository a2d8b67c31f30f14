"""Benchmarks: a command that prints figures and ratios, not timed tests."""
