"""How one part behaves: plain functions of voltages that return currents and their derivatives.

The functions are ordinary Python on floats: the slow solver and the bias search call them as they are, and the
generated solver compiles the very same functions. Each takes its port voltages, then the exponentials
``exp((v - offset) / slope)`` of its junctions, then its parameters, and returns its currents and the partial
derivatives in one tuple, so that value and derivative can never disagree about the model.

``kinds.py`` is the table of all kinds of part that the engine knows.
"""
