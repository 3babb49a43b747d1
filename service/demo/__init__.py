"""The demonstration: an invented room, and the sample run played into it."""
