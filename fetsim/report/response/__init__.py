"""The response measurement in text and picture."""
