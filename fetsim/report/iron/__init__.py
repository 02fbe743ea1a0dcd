"""Pictures of what the iron does."""
