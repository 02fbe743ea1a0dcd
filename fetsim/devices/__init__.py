"""How one part behaves: a file for each kind, with its law and everything else that there is to know of it.

A law is a plain function of voltages that returns currents and their derivatives. It is ordinary Python on floats: the
slow solver and the bias search call it as it is, and the generated solver compiles the very same function. Each takes
its port voltages, then the exponentials ``exp((v - offset) / slope)`` of its junctions, then its parameters, and
returns its currents and the partial derivatives in one tuple, so that value and derivative can never disagree about
the model. ``law.py`` is where laws are called, ``kind.py`` lists what a kind may tell of itself, and ``kinds.py`` is
the table of all kinds.
"""
