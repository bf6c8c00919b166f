"""Evidence as files: level captures, serial recordings, compressed and plain."""
