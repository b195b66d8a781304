"""Sparkplug B 3.0: an edge node with a device for each valve. It says how they stand, and does nothing it is told."""
