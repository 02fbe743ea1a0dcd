"""The bias point: voltages, currents, dissipation, ratings."""
