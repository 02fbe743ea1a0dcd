"""Pictures of the gain-reduction needle."""
