"""Serial bytes to lines; firmware stamps and their rollovers."""
