"""Manoeuvres on an opened bench, yielding traces with marks."""
