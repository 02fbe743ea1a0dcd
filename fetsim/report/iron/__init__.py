"""Pictures of what the iron is."""
