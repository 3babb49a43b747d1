"""What stands in the room: racks, shelves, trays, seed lots, readings and chores."""
