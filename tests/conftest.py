"""Settings that must stand before any test module is imported."""

import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings

from tests import samples

# The model's matrices are small: several threads in one product only wait for each other, and tests share the cores.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Compiling tests anew in each process, and the package in each command that a test starts, costs a fifth of the suite.
sys.dont_write_bytecode = False
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# Examples are drawn from fixed seeds, so that a run says the same each time.
settings.register_profile("fixed", derandomize=True)
settings.load_profile("fixed")


def pytest_configure(config: pytest.Config) -> None:
    samples.whole = config.getoption("markexpr") == samples.WHOLE


def pytest_xdist_auto_num_workers() -> int:
    """Run one process more than there are cores: tests of pages, sound paths and other processes wait much."""
    return (os.cpu_count() or 1) + 1


@pytest.fixture(scope="session", autouse=True)
def kept_models(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Keep tanks' models in one folder for this run alone, shared by its processes and the commands that they start."""
    base = tmp_path_factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / "models"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TAPTEST_CACHE", str(folder))
        yield folder
