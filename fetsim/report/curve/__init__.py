"""The curve measurement in text and picture."""
