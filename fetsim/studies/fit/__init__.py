"""Values of a real unit out of readings and recordings of it, and how well they are known."""
