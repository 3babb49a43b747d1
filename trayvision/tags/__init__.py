"""The square codes of the kit: found in the pixels, refined to a fraction of one, read."""
