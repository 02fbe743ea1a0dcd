"""Pictures of distortion against frequency."""
