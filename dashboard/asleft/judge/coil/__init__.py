"""The coil: resistance, temperature, headroom."""
