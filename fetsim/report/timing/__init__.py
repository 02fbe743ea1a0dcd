"""The timing measurement in text and picture."""
