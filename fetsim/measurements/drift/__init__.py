"""Drift: how bias, gain and threshold move with temperature, and from cold to warm."""
