"""The experiments, by what is done."""
