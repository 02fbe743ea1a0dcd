"""What tolerances do to a unit: drawn builds of it, their percentiles, yield, and which part is to blame."""
