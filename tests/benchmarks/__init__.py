"""Benchmarks, run on demand: ratios beside a C pass and a naive reader in the same run."""
