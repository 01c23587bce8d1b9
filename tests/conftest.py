"""What holds for all tests."""

import os

# Our matrices are small and the tests run side by side: threads of the linear algebra library would
# only wait for each other. Set before anything numerical is imported.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
