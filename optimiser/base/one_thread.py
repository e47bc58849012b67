"""One thread for the linear algebra of one process.

Products here are small: a second thread waits more than it works, and processes side by side would
only take turns with each other's threads.
"""

ONE_THREAD = {
    name: "1"
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "BLIS_NUM_THREADS")
}
"""Environment that NumPy's libraries read when they are loaded."""
