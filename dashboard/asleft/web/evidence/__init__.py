"""The picture of what moved: one description for each finding or alarm, drawn on screen, on paper and as text."""
