"""Regression bench for brushless-motor firmware."""
