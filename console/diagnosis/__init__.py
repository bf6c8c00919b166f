"""Why a peripheral stopped: episodes, what was different, causes for and against, across runs."""
