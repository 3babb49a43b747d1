"""Settings that every test shares."""

import os

import cv2
import pytest
from hypothesis import settings

# The same examples on every run and machine; how long one takes is the benchmark's business.
settings.register_profile("reproducible", derandomize=True, deadline=None, database=None)
settings.load_profile("reproducible")

# pytest-xdist already keeps every core busy.
cv2.setNumThreads(1)


@pytest.hookimpl(optionalhook=True)
def pytest_xdist_auto_num_workers() -> int:
    """Half as many again as cores: tests wait for browsers, databases and servers."""
    cores = os.cpu_count() or 1
    return cores + (cores + 1) // 2
