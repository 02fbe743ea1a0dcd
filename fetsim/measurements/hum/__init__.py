"""Hum of a unit that is fed from the mains: its lines, the parts that they come in by, ripple and sag."""
