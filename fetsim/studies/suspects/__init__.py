"""What is wrong with the unit on the bench: suspects by evidence, and the next reading to take."""
