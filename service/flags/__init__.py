"""What deserves a look and why, what people answered, and the day's round."""
