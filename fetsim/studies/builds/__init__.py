"""Many builds of one unit, of the same topology with other values: a few figures of each, in columns."""
