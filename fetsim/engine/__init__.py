"""Solves any circuit: matrices, bias point, generated sample kernel, slow reference solver, front door."""
