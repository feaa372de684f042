"""Before anything else is imported: one thread for linear algebra, and the same examples on every run.

With one thread, tests side by side do not fight. ``PADLAB_RANDOM=1`` lets hypothesis look for new examples.
"""

import os

for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(name, "1")

from hypothesis import settings  # noqa: E402  the threads are set first

settings.register_profile("same", derandomize=True)
if not os.environ.get("PADLAB_RANDOM"):
    settings.load_profile("same")
