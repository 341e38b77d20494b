"""Append-only run folders and what is read back from them."""
