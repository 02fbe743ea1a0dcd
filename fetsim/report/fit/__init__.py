"""Picture of a fit."""
