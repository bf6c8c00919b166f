"""The demo: an invented cider works cap line, its recordings, and the bench simulator that made them."""
