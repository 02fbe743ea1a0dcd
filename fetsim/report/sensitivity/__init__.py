"""Pictures of sensitivities."""
