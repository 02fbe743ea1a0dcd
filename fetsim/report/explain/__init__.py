"""The explain measurement in text and picture."""
