"""pytest plugin: bench."""
