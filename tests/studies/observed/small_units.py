"""Two units with answers in closed form, as files."""

RC = """
name = "Low pass"
full_scale_dbu = 18.0

[stages.only.parts]
IN = { kind = "input", nodes = ["i", "0"], source_resistance = "1" }
R1 = { kind = "resistor", value = "10k", nodes = ["i", "o"], tolerance = "5%" }
C1 = { kind = "capacitor", value = "10n", nodes = ["o", "0"], tolerance = "10%" }
OUT = { kind = "output", nodes = ["o", "0"], load = "100M" }
"""

DIVIDER = """
name = "Divider"
full_scale_dbu = 18.0

[controls]
turn = { position = 0.5 }

[stages.only.parts]
IN = { kind = "input", nodes = ["i", "0"], source_resistance = "1" }
OUT = { kind = "output", nodes = ["i", "0"], load = "1M" }
V1 = { kind = "supply", voltage = "10V", resistance = "1m", node = "v" }
R1 = { kind = "resistor", value = "2M", nodes = ["v", "m"], tolerance = "5%" }
R2 = { kind = "resistor", value = "3M", nodes = ["m", "0"], tolerance = "5%" }
P1 = { kind = "potentiometer", value = "10k", nodes = { top = "v", wiper = "w", bottom = "0" }, control = "turn" }
R3 = { kind = "resistor", value = "1G", nodes = ["w", "0"] }
"""
