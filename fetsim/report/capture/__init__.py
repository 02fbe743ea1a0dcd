"""Picture of a recorded pair."""
