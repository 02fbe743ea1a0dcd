"""Pictures of trims."""
