"""A unit made ready to run, and what it is listened to with: quality, gain cell, probes, points, the runner."""
