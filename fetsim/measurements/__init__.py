"""NUMBERS: what a trace, a curve or a capture says. Analysis takes arrays only; procedures drive a unit."""
