"""History of a quantity: points, charts, limits from a budget, trend."""
