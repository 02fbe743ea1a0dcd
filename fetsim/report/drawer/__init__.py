"""A drawer of FETs in pictures and words."""
