"""Waiting for what another thread or process does."""

import time


def wait_for(true, patience_s=20.0):
    """Return the first true value that ``true()`` gives."""
    end = time.monotonic() + patience_s
    while not (value := true()):
        assert time.monotonic() < end, "it did not happen"
        time.sleep(0.02)
    return value
