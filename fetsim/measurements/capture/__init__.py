"""Attack and release out of a recorded pair: a tone burst and what came of it."""
