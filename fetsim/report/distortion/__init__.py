"""The distortion measurement in text and picture."""
