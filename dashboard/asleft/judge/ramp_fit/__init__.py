"""The driver's model fitted to strokes: command path, ramps, lag, and what is known of them."""
