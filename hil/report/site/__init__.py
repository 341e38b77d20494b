"""A static site over many runs: which build changed what. It opens without a server."""
