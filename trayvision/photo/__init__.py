"""From a file or its bytes to upright pixels, the time they were taken and the focal length."""
