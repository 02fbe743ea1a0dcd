"""Pictures of suspects."""
