"""Pure decoders: chunks, samples and columns in; events, columns and findings out.

Nothing in here opens a file or port, reads a clock, starts a thread or draws.
"""

DISTRIBUTION = "lastack"
