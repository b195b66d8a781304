"""Conditions seen sample by sample, whatever the segments say."""
