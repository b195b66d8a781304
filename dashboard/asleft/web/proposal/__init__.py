"""Settings proposed for wanted pressures, from a sweep."""
