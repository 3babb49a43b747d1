"""Settings that every test shares."""

import cv2
from hypothesis import settings

# The same examples on every run and machine; how long one takes is the benchmark's business.
settings.register_profile("reproducible", derandomize=True, deadline=None, database=None)
settings.load_profile("reproducible")

# pytest-xdist already keeps every core busy.
cv2.setNumThreads(1)
