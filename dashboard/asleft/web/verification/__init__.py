"""Verification: watching or finding one, grading it, and records of it on screen, on paper and as JSON."""
