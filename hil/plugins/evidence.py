"""pytest plugin: evidence."""
