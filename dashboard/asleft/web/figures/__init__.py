"""From view models to figures, as plain dictionaries."""
