"""Hand-written reference circuits, the independent oracle of the engine.

Each module writes the equations of one circuit out by hand, a line per node, and integrates them with a
variable-step implicit method to far tighter than audio accuracy. Nothing here comes from, or is used by, the
package; only numpy and scipy are needed. `tests/data/make_reference.py` stores the results.

    parts         device equations (diode, transistor, field-effect transistor, iron core, operational amplifier)
    handwritten   turns hand-written equations into matrices; states, bias point, time and frequency response
    fixed_step    a second integrator (Radau IIA, constant step) that works on the unreduced equations
    periodic      periodic steady states by shooting
    tones         curve, thresholds and distortion out of those
    excitation    input voltages as formulas of time
    stored        reads and writes the stored records
    rc, clipper, one_transistor, opamps, fet_loop, dunlin, greenshank    the circuits

Volts, amperes, ohms, farads, henries, seconds throughout. The input of every circuit is the electromotive
force of its source, before any source resistance.
"""
