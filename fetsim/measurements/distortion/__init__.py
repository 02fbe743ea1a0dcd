"""Harmonics, intermodulation, THD+N, and the null of the linearising trim."""
