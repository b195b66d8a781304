"""The coil as it is now and as it was on other days: resistance, temperature, headroom."""
