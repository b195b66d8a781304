"""From samples to dwells and strokes, each one row of numbers."""
