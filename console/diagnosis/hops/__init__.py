"""From party to party: what was lost on each hop, and where each chain ended."""
