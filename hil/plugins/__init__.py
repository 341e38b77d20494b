"""Glue to pytest: options, collection, fixtures, evidence, progress."""
