"""Pictures of distortion."""
