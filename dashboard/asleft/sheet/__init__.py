"""The settings sheet: what was left, in what tolerance, by whom and when. Pure: no clock, no disk."""
