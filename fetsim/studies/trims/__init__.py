"""Trims as the bench sets them: one step of a unit's alignment after the other, and how sharply each is defined."""
