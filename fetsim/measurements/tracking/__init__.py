"""How the channels of a pair go together: gain reduction of each, and where the image goes."""
