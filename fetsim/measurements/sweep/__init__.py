"""Distortion against frequency."""
