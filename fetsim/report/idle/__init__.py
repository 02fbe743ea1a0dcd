"""The bias point in text."""
