"""Before numpy is loaded anywhere: one thread for its small matrices, as the program itself does."""

import os

for variable in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(variable, "1")
