"""Pictures of attack and release."""
