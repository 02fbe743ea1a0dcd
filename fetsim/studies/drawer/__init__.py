"""A drawer of measured FETs: what each does in a unit with its trims set, which is likest, which two match."""
