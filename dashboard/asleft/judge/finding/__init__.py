"""From what was seen to findings, each with its part and its cause."""
