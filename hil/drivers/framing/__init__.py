"""How messages are cut from a byte stream, one file a framing; start at `make.make_framing`."""
