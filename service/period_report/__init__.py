"""What a room's log says of a period, for whoever inspects it: what is missing is named."""
