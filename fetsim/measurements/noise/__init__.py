"""Noise at the output and the parts it comes from."""
