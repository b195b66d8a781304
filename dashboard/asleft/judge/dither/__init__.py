"""Dither from fast bursts."""
