"""Simulated instruments: supply, tachometer, brake and signal switch behind SCPI."""
