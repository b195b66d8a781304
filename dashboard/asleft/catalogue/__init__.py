"""Quantities, kinds of findings, parts and statuses as tables: the lowest layer of the plant side."""
