"""The dashboard: pages over the stores. Reads the stores only, never the broker."""
