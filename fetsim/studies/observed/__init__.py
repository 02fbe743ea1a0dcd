"""What was read and recorded of a real unit, what a unit with other values would give there, and how that moves."""
