"""Attack and release, from bursts of a unit or from a capture of the real one."""
