"""Every source onto one axis: what sources share, what agrees, and how well it is known."""
