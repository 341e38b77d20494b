"""How client libraries reach the simulated bench: pyserial, PyVISA, served."""
