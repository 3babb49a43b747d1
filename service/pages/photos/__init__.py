"""Photos: taken, listed, and what each of them says."""
