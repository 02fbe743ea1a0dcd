"""How parts with memory are when a run begins."""

from fetsim.devices.kinds import KINDS
from fetsim.engine.circuit import Circuit


def beginning(circuit: Circuit) -> str:
    """``T1, T2 demagnetised``; empty for a circuit without memory."""
    words = {KINDS[e.kind].starts: "" for e in circuit.elements if KINDS[e.kind].starts}
    for word in words:
        words[word] = ", ".join(e.name for e in circuit.elements if KINDS[e.kind].starts == word)
    return "; ".join(f"{names} {word}" for word, names in words.items())
