"""Before against after: what a retune or a repair changed, on screen, as a table and on paper."""
