"""The page of one valve: sentence, deviation strip, evidence, readings, history, and its tables."""
