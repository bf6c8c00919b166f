"""Files, ports and brokers to chunks."""
