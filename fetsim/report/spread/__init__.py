"""Pictures of a spread."""
