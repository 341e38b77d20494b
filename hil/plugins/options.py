"""pytest plugin: options."""
