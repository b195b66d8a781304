"""Valves whose command an outer loop makes."""
