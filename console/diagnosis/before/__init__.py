"""What was different just before a peripheral stopped, measured against its own healthy polls."""
