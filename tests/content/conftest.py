"""These tests read files: they need no register, no settings and no place for photographs."""

import pytest


@pytest.fixture(autouse=True)
def photographs() -> None:
    """Stands in for the fixture of all other tests, which asks for Django's settings."""
