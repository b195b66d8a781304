"""The night at a glance: what changed, what followed, what people did and what was not watched, on one time axis."""
