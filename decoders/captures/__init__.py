"""Level-capture file contents to edges."""
