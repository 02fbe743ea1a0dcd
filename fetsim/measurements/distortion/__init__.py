"""Harmonics, intermodulation and THD+N."""
