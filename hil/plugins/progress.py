"""pytest plugin: progress."""
