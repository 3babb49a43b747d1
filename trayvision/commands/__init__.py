"""What each command of the library asks for and does."""
