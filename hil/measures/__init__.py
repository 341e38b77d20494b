"""Pure: traces to measures."""
