"""Settings that must stand before any test module is imported."""

import os

from hypothesis import settings

# The model's matrices are small: several threads in one product only wait for each other, and tests share the cores.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

# Examples are drawn from fixed seeds, so that a run says the same each time.
settings.register_profile("fixed", derandomize=True)
settings.load_profile("fixed")
