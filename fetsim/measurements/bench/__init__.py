"""A unit on the bench: driven, held, settled, linearised; shared by all procedures."""
