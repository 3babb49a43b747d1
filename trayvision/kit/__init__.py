"""The printed sheets of the reference kit, and how to mount them."""
