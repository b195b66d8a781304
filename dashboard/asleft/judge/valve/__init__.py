"""The valve: pressure against current, both ways."""
