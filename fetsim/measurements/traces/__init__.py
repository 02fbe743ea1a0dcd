"""Analysis of arrays alone: spectrum, envelope, alignment, crossings, decay, ballistics, weighting."""
