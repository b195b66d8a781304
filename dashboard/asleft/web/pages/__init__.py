"""Layouts and the thin callbacks that belong to them."""
