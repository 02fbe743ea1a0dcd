"""Common-mode rejection of a balanced input."""
