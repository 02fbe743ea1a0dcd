"""Every single fault of a unit, simulated: a table of symptoms, and what readings say to it."""
