"""The noise measurement in text and picture."""
