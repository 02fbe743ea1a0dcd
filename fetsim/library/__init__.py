"""Data: units and device sheets shipped with fetsim."""
