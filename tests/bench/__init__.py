"""Benchmarks of the gate, run by hand: ``uv run python -m tests.bench [--small]``."""
