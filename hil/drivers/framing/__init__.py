"""One file a framing: bytes to frames and back."""
