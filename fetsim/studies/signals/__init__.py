"""A test file to be played through a real unit, and all figures out of what was recorded."""
