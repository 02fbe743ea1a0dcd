"""The bench sheet: what is expected of a unit on the bench, with room to write what is read."""
