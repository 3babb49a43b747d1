"""From what is known of a room to the few trays to look at, each with its reason."""
