"""One file a revision; a new one is a copy of the last with the next number."""
