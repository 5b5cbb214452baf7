"""The register at weight: ``uv run python -m tests.bench.weight [--small] [--postgres]``."""
