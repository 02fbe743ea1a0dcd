"""Numbers: what arrays say (``traces``), how a unit is driven (``bench``), and one room a measurement."""
