"""Pictures of the hum."""
