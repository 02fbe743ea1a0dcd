"""Recordings of a real unit: what was played into it and what came out, calibrated, in step, and checked."""
