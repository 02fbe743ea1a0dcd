"""Versions of a unit side by side, to listen to."""
