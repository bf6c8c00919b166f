"""The timeline: rows of events, minutes and bits, and the ribbon above them."""
