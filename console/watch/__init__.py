"""Rules and findings."""
