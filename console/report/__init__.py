"""What was found, as text, JSON and tables."""
