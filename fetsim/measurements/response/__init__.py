"""Frequency response, at rest and held in gain reduction."""
