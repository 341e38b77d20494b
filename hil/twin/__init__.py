"""The simulated bench."""
