"""What takes long is sampled by default; the whole of it runs with `pytest -m "long or sampled"`."""

from collections.abc import Iterable
from typing import Any

import pytest

WHOLE = "long or sampled"
"""The choice of markers with which nothing is left out."""
whole = False
"""Whether this run was started with it; set before any test module is imported."""


def part(count: int, of: int = 3) -> int:
    """One of so many parts of a count by default, all of it in a whole run; tests that use it are marked `sampled`."""
    return count if whole else max(count // of, 5)


def every(step: int, cases: Iterable[Any]) -> list[Any]:
    """All cases of a grid; the first of each so many is tried by default, the others are marked `long`."""
    return [each if number % step == 0 else _long(each) for number, each in enumerate(cases)]


def _long(case: Any) -> Any:
    values, name = (case.values, case.id) if hasattr(case, "marks") else (case, None)
    return pytest.param(*(values if isinstance(values, tuple) else (values,)), marks=pytest.mark.long, id=name)
