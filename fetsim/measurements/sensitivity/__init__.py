"""By how much each value moves what a unit is at rest and to small signals."""
