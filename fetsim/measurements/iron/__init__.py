"""Transformers and chokes: distortion against frequency, and the inductance of each core against level."""
