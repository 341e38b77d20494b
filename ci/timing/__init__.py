"""Benchmarks: one file a group; each yields results measured against each other in one run."""
