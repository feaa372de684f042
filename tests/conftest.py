"""Before anything else is imported: linear algebra in one thread, so that tests side by side do not fight."""

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")
