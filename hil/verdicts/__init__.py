"""Pure: judging and statistics."""
