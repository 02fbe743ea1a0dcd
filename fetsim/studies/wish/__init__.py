"""Which values of chosen parts give figures that are wished for."""
