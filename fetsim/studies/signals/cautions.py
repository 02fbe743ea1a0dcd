"""What to be careful with when a test file is played through a real unit."""

from fetsim.measurements.results.care import CHARGED, MAINS

LOUD = (
    "Loud sound. Disconnect or turn down monitors and headphones before the file is played: it holds steady tones that "
    "rise to {highest:+g} dBu at the unit's input, and a unit gives more. Follow your local rules for work with loud "
    "sound."
)
POWERED = (
    "Powered unit. Wire it up through its connectors only, with the cover closed; begin with the interface's output "
    "turned down and look at the recorder's level while the loudest tones play."
)
CAUTIONS = (POWERED, MAINS, CHARGED.format(store=""))
