"""The level plan: where the level goes, and which stage clips first."""
