"""pytest plugin: plans."""
