"""The null of a linearising trim: where the second harmonic is least."""
