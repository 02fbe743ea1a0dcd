"""The levels measurement in text and picture."""
