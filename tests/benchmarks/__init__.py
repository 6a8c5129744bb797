"""Timings: ``pytest tests/benchmarks --benchmark-enable``; without the option each runs once."""
