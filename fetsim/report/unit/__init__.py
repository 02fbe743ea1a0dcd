"""A unit file as text, diagram and plain data."""
