"""How the channels of a pair go together, as a picture."""
