"""Glue to the shell: one file a command."""
