"""Transformers and chokes: inductance and loss of each core against level and frequency."""
