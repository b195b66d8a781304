"""From the stores to view models: plain values, no components, no pictures."""
