"""Picture of a swept trim."""
