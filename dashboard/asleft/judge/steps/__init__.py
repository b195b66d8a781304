"""What a step of the judge does to its state, in order: cut, count, close points, trim, summarise."""
