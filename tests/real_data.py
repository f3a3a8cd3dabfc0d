"""Recordings and measurements by others, kept beside the project and never in it."""

import os
from pathlib import Path

import pytest

SKIP_SENTENCE = (
    "The real recordings are not here: put them into ../shared/real beside the project, "
    "or name their folder in the environment variable TAPTEST_REAL_DATA."
)


def real_data(*parts: str) -> Path:
    """Path of a real recording or folder; skips the test where the collection is absent."""
    named = os.environ.get("TAPTEST_REAL_DATA")
    root = Path(named) if named else Path(__file__).parents[2] / "shared" / "real"
    path = root.joinpath(*parts)
    if not path.exists():
        pytest.skip(SKIP_SENTENCE)
    return path
