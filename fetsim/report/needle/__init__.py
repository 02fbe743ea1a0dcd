"""The needle measurement in text and picture."""
